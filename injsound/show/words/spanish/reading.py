"""Spanish for one reading, for terminal, picture and report."""

from injsound.codes import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.languages import Language
from injsound.show.words.cautions import CAUTIONS
from injsound.show.words.keys import Brief, Often, Panel, Phrase
from injsound.show.words.table import Table

READING: Table = {
    Phrase: {
        Phrase.DECIMAL_MARK: ",",
        Phrase.UNDER: "menos de {value}",
        Phrase.BY_CHANCE: "por azar, {p} de los casos",
        Phrase.CHANCE_EXPLAINS: "no más de lo que da el azar",
        Phrase.CAUTION: CAUTIONS[Language.SPANISH],
        Phrase.EVIDENCE_ONLY: "Esto es un indicio para un técnico cualificado, no una orden de reparación.",
        Phrase.CLICK_IS_NOT_FLOW: "Un chasquido no prueba que el inyector entregue caudal ni que cierre bien.",
        Phrase.CYLINDER: "cilindro {cylinder}",
        Phrase.THIS_INJECTOR: "inyector",
        Phrase.MISSING: "faltan",
        Phrase.PATTERN: "patrón",
        Phrase.NEIGHBOURS: "vecinos",
        Phrase.WHY: "por qué",
        Phrase.NEXT: "siguiente",
        Phrase.NOTE: "nota",
        Phrase.SKIPPING_LINE: (
            "Faltan chasquidos: {skipped} de {judged} ({rate}; intervalo del 95 %: de {low} a {high})"
        ),
        Phrase.STEADY_LINE: (
            "Constante: no falta ninguno de {judged} chasquidos; de uno en uno fallan menos del {high} (confianza del"
            " 95 %)"
        ),
        Phrase.STEADY_CALLS_LINE: (
            "Constante: parecen faltar {skipped} de {judged} chasquidos, no más de los que podrían ser errores;"
            " fallan como mucho el {high}, con un 95 % de confianza"
        ),
        Phrase.NO_TICK_LINE: "Sin chasquido de este inyector: {why}",
        Phrase.CANNOT_TELL_LINE: "No se puede saber: {why}",
        Phrase.COUNT: "{skipped} de {judged} chasquidos, {rate} (intervalo del 95 %: de {low} a {high})",
        Phrase.COUNT_NONE: "0 de {judged} chasquidos (menos del {high} con un 95 % de confianza)",
        Phrase.COUNT_SOFT: "de {least} a {most} de {judged} chasquidos",
        Phrase.COUNT_NOTHING: "sin contar",
        Phrase.UNJUDGED: "; sin poder juzgar: {unjudged}",
        Phrase.SPEED: "régimen",
        Phrase.SPEED_LINE: "{rpm} rpm (de {low} a {high}); varía despacio un {wander}, de ciclo a ciclo un {variation}",
        Phrase.SPEED_OTHER: "o {rpm} rpm, si los inyectores abren {often}",
        Phrase.TIMING: "ritmo",
        Phrase.TIMING_LINE: "el intervalo varía {period} ms, de uno al siguiente {change} ms ({count} intervalos)",
        Phrase.TIMING_ENGINE: "casi todo es del motor (relación {ratio})",
        Phrase.TIMING_TICK: "casi todo es del propio chasquido (relación {ratio})",
        Phrase.OWN_SCATTER: "dispersión",
        Phrase.OWN_SCATTER_LINE: "{own} µs respecto al ciclo del motor (intervalo del 95 %: de {low} a {high} µs)",
        Phrase.OWN_SCATTER_HIDDEN: "oculta por la marcha irregular del motor; como mucho {high} µs",
        Phrase.OPEN_TIME: "apertura",
        Phrase.OPEN_TIME_LINE: "{median} ms de apertura a cierre, varía {spread} ms, {drift} ({count} chasquidos)",
        Phrase.DRIFT: "deriva {drift} ms",
        Phrase.NO_DRIFT: "sin deriva",
        Phrase.WEAK: "débiles",
        Phrase.WEAK_LINE: "{weak} de {judged} chasquidos a menos de la mitad del nivel usual; cuentan como oídos",
        Phrase.MARGIN: "margen",
        Phrase.MARGIN_LINE: (
            "chasquido {db} dB sobre el ruido; oídos y ausentes separados {separation} desviaciones estándar"
        ),
        Phrase.WRONG_CALLS: "errores",
        Phrase.WRONG_CALLS_LINE: (
            "unos {false} de los chasquidos dados por ausentes pudieron estar; unos {missed} de los dados por oídos"
            " pudieron faltar"
        ),
    },
    Often: {
        Often.EVERY_REVOLUTION: "una vez por vuelta",
        Often.EVERY_SECOND: "una vez cada dos vueltas",
    },
    Panel: {
        Panel.AXIS_CYCLE: "ciclo del motor (° de cigüeñal)",
        Panel.AXIS_TIME: "tiempo (s)",
        Panel.AXIS_AROUND: "desde lo previsto (ms)",
        Panel.AXIS_TICK: "tiempo desde la apertura (ms)",
        Panel.ROWS: "Ciclo a ciclo, hacia abajo",
        Panel.CLOSE: "De cerca",
        Panel.EVENTS: "Chasquido a chasquido",
        Panel.TICK: "Chasquido medio",
        Panel.OPEN: "abre",
        Panel.CLOSES: "cierra",
        Panel.SKIP: "falta",
        Panel.WEAK: "débil",
        Panel.UNJUDGED: "sin juzgar",
        Panel.LEVEL: "nivel (dB)",
        Panel.NOTHING: "nada que dibujar",
        Panel.EMPTY: "su lugar: sin chasquido",
        Panel.OTHERS: "los demás",
        Panel.EITHER: "cualquiera puede ser el suyo",
        Panel.ODD: "se aparta",
        Panel.COUNT: "faltan {skipped} de {judged}",
    },
    Verdict: {
        Verdict.STEADY: "constante",
        Verdict.SKIPPING: "faltan chasquidos",
        Verdict.NO_TICK: "sin chasquido",
        Verdict.CANNOT_TELL: "no se puede saber",
    },
    State: {
        State.HEARD: "oído",
        State.WEAK: "débil",
        State.SKIPPED: "ausente",
        State.UNJUDGED: "sin juzgar",
    },
    Pattern: {
        Pattern.NONE: "ninguno",
        Pattern.SCATTERED: "dispersos, uno aquí y otro allá",
        Pattern.BURSTS: "en rachas, varios seguidos",
        Pattern.REGULAR: "regulares, como contados",
        Pattern.TOO_FEW: "demasiado pocos para decirlo",
    },
    Neighbours: {
        Neighbours.HEARD: "los demás sonidos del motor estaban",
        Neighbours.NOT_HEARD: "los demás sonidos del motor también faltaban",
        Neighbours.NOT_CHECKED: "no se pudieron comprobar, ninguno se oye con claridad",
    },
    SpanKind: {
        SpanKind.GAP: "hueco en el archivo",
        SpanKind.SILENCE: "sonido perdido",
        SpanKind.REPEATED: "grabado dos veces",
        SpanKind.CLIPPED: "saturado",
        SpanKind.BUMP: "golpe o roce",
        SpanKind.LOUD: "sonido fuerte",
        SpanKind.GAIN: "ganancia reducida",
        SpanKind.SPIKE: "pico eléctrico",
        SpanKind.SLIPPED: "sonda suelta",
        SpanKind.END: "final",
        SpanKind.NO_LOCK: "ciclo perdido",
        SpanKind.NOT_COUNTED: "no contado",
        SpanKind.ENGINE_SILENT: "todo el motor en silencio",
        SpanKind.ONCE_PER_REVOLUTION: "dos veces por ciclo",
    },
    ReasonCode: {
        ReasonCode.SKIPS_FOUND: (
            "Faltaron {skipped} de {judged} chasquidos previstos; de ellos, unos {expected_false} podrían ser errores."
        ),
        ReasonCode.NO_SKIPS: "Se oyeron los {judged} chasquidos juzgados.",
        ReasonCode.FEW_CALLS: (
            "Parecen faltar {skipped} de {judged} chasquidos; unos {expected_false} podrían ser errores."
        ),
        ReasonCode.TOO_FEW_EVENTS: (
            "No falta ningún chasquido, pero {judged} son demasiado pocos: para mostrar un fallo del 5 % que llega en"
            " rachas hacen falta {needed}."
        ),
        ReasonCode.MISSES_POSSIBLE: "Los chasquidos son tan débiles que uno ausente podría pasar por oído.",
        ReasonCode.WEAK_OR_MISSING: (
            "{weak} de {judged} chasquidos eran tan suaves que otro sonido en su sitio pudo pasar por ellos: pueden ser"
            " débiles o faltar."
        ),
        ReasonCode.ONE_STRETCH: (
            "Los {skipped} chasquidos ausentes están en un solo tramo de {seconds} s, como cuando el motor baja de"
            " régimen con el combustible cortado."
        ),
        ReasonCode.MOSTLY_MISSING: (
            "Parecen faltar {skipped} de {judged} chasquidos: lo que suena de vez en cuando puede ser otro sonido del"
            " motor."
        ),
        ReasonCode.UNCERTAIN_CALLS: (
            "Parecen faltar {skipped} de {judged} chasquidos; según la cuenta unos {expected_false} son errores, y a"
            " veces una perturbación tapa uno sin que se note: no alcanza para decidir."
        ),
        ReasonCode.WEAK_SEPARATION: (
            "Los chasquidos oídos y los ausentes suenan demasiado parecidos: margen {separation}, hace falta {needed}."
        ),
        ReasonCode.FAINT: "Se oye el motor, pero ningún chasquido destaca.",
        ReasonCode.NO_LOCK: "No se pudo seguir el ciclo del motor.",
        ReasonCode.NOT_A_RECORDING_OF_AN_ENGINE: "Nada en la grabación se repite como un motor en ralentí.",
        ReasonCode.SPEED_UNKNOWN: "El lugar de este inyector parece en silencio, pero no se indicaron las rpm.",
        ReasonCode.OWN_PLACE_SILENT: "Los demás inyectores suenan en su lugar; en el lugar de este no hay nada.",
        ReasonCode.ENGINE_TICKS_ONLY: (
            "Hay chasquidos, pero como los de las válvulas: ninguno tiene golpe de apertura y de cierre."
        ),
        ReasonCode.TWO_CANDIDATES: "Dos chasquidos del ciclo podrían ser los de este inyector y nada indica cuál.",
        ReasonCode.MAY_BE_NEIGHBOUR: (
            "Se oyeron los {judged} chasquidos juzgados, pero tan poco más fuertes que lo que suena en el turno de los"
            " demás inyectores que pueden ser de un vecino y este inyector estar mudo."
        ),
        ReasonCode.PARTNER_HIDES: (
            "Los inyectores que abren juntos suenan juntos: un compañero puede ocultar un chasquido ausente."
        ),
        ReasonCode.MANY_UNJUDGED: "{unjudged} de {due} chasquidos caen donde el sonido está dañado o perturbado.",
        ReasonCode.TICKS_FADE: (
            "La supresión de ruido del teléfono se llevó el sonido: baja {fade_db} dB y no se recupera."
        ),
        ReasonCode.SPEECH_CODEC: "El archivo se comprimió para voz ({codec}): los chasquidos casi han desaparecido.",
        ReasonCode.RPM_CONTRADICTED: "Se indicaron {rpm_given} rpm; el sonido se repite como a {rpm_heard} rpm.",
        ReasonCode.TICK_UNLIKE_INJECTOR: "El chasquido encontrado puede ser de una válvula: no tiene un segundo golpe.",
    },
    Brief: {
        Brief.TOO_FEW_EVENTS: "muy pocos chasquidos para un fallo pequeño",
        Brief.MISSES_POSSIBLE: "tan débil que uno ausente pasaría por oído",
        Brief.WEAK_OR_MISSING: "algunos tan suaves que pueden faltar",
        Brief.ONE_STRETCH: "faltan en un solo tramo: ¿sin combustible?",
        Brief.MOSTLY_MISSING: "lo que suena a veces puede ser otro sonido",
        Brief.UNCERTAIN_CALLS: "los huecos podrían ser errores",
        Brief.WEAK_SEPARATION: "oídos y ausentes suenan demasiado parecidos",
        Brief.FAINT: "ningún chasquido destaca del sonido del motor",
        Brief.NO_LOCK: "no se halló el ciclo del motor",
        Brief.NOT_A_RECORDING_OF_AN_ENGINE: "no se oye un motor en ralentí",
        Brief.SPEED_UNKNOWN: "sin las rpm no se sabe cuál es su lugar",
        Brief.OWN_PLACE_SILENT: "en su lugar no suena nada, los demás suenan",
        Brief.ENGINE_TICKS_ONLY: "solo chasquidos como los de las válvulas",
        Brief.TWO_CANDIDATES: "dos chasquidos podrían ser de este inyector",
        Brief.MAY_BE_NEIGHBOUR: "el chasquido puede ser de un vecino",
        Brief.PARTNER_HIDES: "un compañero puede ocultar una falta",
        Brief.MANY_UNJUDGED: "demasiado sonido está perturbado",
        Brief.TICKS_FADE: "la supresión de ruido se llevó los chasquidos",
        Brief.SPEECH_CODEC: "el archivo se comprimió para voz",
        Brief.RPM_CONTRADICTED: "el sonido no encaja con las rpm indicadas",
        Brief.TICK_UNLIKE_INJECTOR: "el chasquido puede ser de una válvula",
    },
    WarningCode: {
        WarningCode.CLIPPED: "saturado ({count}×, {seconds} s en total): mueva la sonda o baje el nivel",
        WarningCode.GAPS: "huecos en el archivo ({count}, {seconds} s en total): ahí no se juzga",
        WarningCode.DROPOUTS: (
            "sonido perdido ({count}×, {seconds} s en total): cierre otras aplicaciones y, si es frecuente,"
            " grabe otra vez"
        ),
        WarningCode.REPEATED: "tramos grabados dos veces ({count}, {seconds} s en total): cierre otras aplicaciones",
        WarningCode.BUMPS: (
            "golpes o roces ({count}, {seconds} s en total): sujete la sonda con una pinza y aparte las manos"
        ),
        WarningCode.LOUD_SOUNDS: (
            "sonidos fuertes ({count}, {seconds} s en total): sin hablar, ventilador y radio apagados"
        ),
        WarningCode.GAIN_PUMPED: ("el teléfono bajó la ganancia ({count}×, {seconds} s en total): evítele los golpes"),
        WarningCode.NOISE_SUPPRESSION: "la supresión de ruido del teléfono apagó el sonido {fade_db} dB: desactívela",
        WarningCode.NARROW_BAND: (
            "la grabación acaba en {bandwidth_hz} Hz: use una grabadora sencilla, no una llamada ni un auricular"
        ),
        WarningCode.SPEECH_CODEC: "comprimido para voz ({codec}, hasta {bandwidth_hz} Hz): envíelo como archivo",
        WarningCode.SPIKES: (
            "picos eléctricos ({count}): aparte cable y teléfono de las bobinas y de los cables de los inyectores"
        ),
        WarningCode.PROBE_SLIPPED: (
            "la sonda perdió el contacto ({count}×, {seconds} s en total): sujétela con una pinza"
        ),
        WarningCode.QUIET: "muy bajo, lo más fuerte a {level_db} dB del máximo: apriete la sonda, suba el nivel",
        WarningCode.CUT_OFF: "el archivo se corta a los {seconds} s: se usó lo que llegó",
        WarningCode.CHANNEL_CHOSEN: "se usó el canal {channel} de {channels}, el más claro",
        WarningCode.CHANNELS_DIFFER: (
            "los {channels} canales difieren; se usó el {channel}: compruebe otro con --channel"
        ),
        WarningCode.ANOTHER_STREAM: "el archivo tiene {streams} pistas de sonido; se usó la primera",
        WarningCode.CYCLE_LOST: "durante {seconds} s no se pudo seguir el ciclo del motor: ahí no se contó nada",
        WarningCode.NOT_COUNTED: (
            "durante {seconds} s no se supo cuál es el chasquido de este inyector: ahí no se contó nada"
        ),
        WarningCode.RPM_ESTIMATED: "no se indicaron rpm; el sonido se repite como a unas {rpm} rpm",
        WarningCode.RPM_CONTRADICTED: (
            "se indicaron {rpm_given} rpm, el sonido se repite como a {rpm_heard} rpm: compruebe el tacómetro"
        ),
        WarningCode.NEIGHBOUR_COINCIDES: (
            "los inyectores que abren juntos suenan en el mismo instante: uno puede ocultar la falta del otro"
        ),
        WarningCode.NEIGHBOURS_NOT_HEARD: (
            "los demás sonidos del motor son demasiado débiles para comprobar si tropezó el motor entero"
        ),
        WarningCode.ENGINE_SILENT: (
            "el motor entero calló ({count}×, {seconds} s en total): entonces no se esperaba ningún chasquido"
        ),
        WarningCode.MODE_CHANGED: (
            "durante {seconds} s el inyector suena dos veces por ciclo, como tras un arranque: ahí no se juzga"
        ),
        WarningCode.ENGINE_UNEVEN: "la marcha irregular del motor oculta la dispersión del chasquido",
        WarningCode.NO_TIMING: "{codec} no conserva bien el tiempo: no hay cifras de ritmo",
        WarningCode.SECOND_OPINION: (
            "segunda opinión (detección de librosa): coinciden {agree} chasquidos, difieren {differ}; da por ausentes"
            " {skipped} de {judged}"
        ),
        WarningCode.NO_SECOND_OPINION: (
            "sin segunda opinión: la detección de librosa oye aquí solo {heard} de {judged} chasquidos, muy pocos para"
            " juzgar; eso no dice nada contra el recuento"
        ),
    },
    StepCode: {
        StepCode.RECORD_LONGER: "Grabe otra vez del mismo modo, de un tirón y al menos {seconds} s más.",
        StepCode.RECORD_AGAIN_CLOSER: "Grabe otra vez con la sonda sujeta al cuerpo del inyector, 60 s o más.",
        StepCode.RECORD_UNPROCESSED: (
            "Desactive la supresión de ruido, grabe con una grabadora sencilla y envíelo como archivo."
        ),
        StepCode.RECORD_UNDISTURBED: "Grabe otra vez con la sonda sujeta, sin tocar nada y sin que nadie hable.",
        StepCode.RECORD_AT_ONE_SPEED: "Grabe de nuevo a un solo régimen, sin tocar el acelerador, 60 s o más.",
        StepCode.RECORD_OWN_INJECTOR: (
            "Grabe otra vez con la sonda en el cuerpo de este inyector y luego cada vecino del mismo modo, para"
            " comparar."
        ),
        StepCode.RECORD_SPREAD: "Grabe también cada compañero, con la sonda en su propio cuerpo.",
        StepCode.GIVE_RPM: "Lea las rpm mientras graba e indíquelas con la grabación (--rpm).",
        StepCode.CHECK_MODE: (
            "¿Abre una vez por vuelta, con sus compañeros? Entonces indique --injection batch. Si no, grabe otra vez"
            " con la sonda en el cuerpo de este inyector."
        ),
        StepCode.CHECK_RPM: "Compruebe las rpm y el modo de inyección: {rpm_given} rpm indicadas, {rpm_heard} oídas.",
        StepCode.COMPARE_OTHERS: (
            "Grabe los demás inyectores del mismo modo. Si solo falla este, intercambiarlo con otro muestra si el"
            " fallo va con el inyector o se queda en su cableado."
        ),
        StepCode.MOVE_WIRING: (
            "Revise su conector y su cableado: grábelo otra vez moviendo el cableado por turnos (injsound wiggle). Si"
            " eso no muestra nada, pruebe con un inyector que se sepa bueno."
        ),
        StepCode.RECORD_IN_FAULT: "Si el motor marchaba bien durante la grabación, grabe otra vez cuando marche mal.",
        StepCode.RECORD_FOR_GOAL: (
            "Si el motor marchaba bien durante la grabación, grabe otra vez cuando marche mal. Para mostrar menos del"
            " 1 %, grabe {seconds} s."
        ),
        StepCode.CHECK_DRIVE: (
            "Compruebe que este inyector recibe mando (lámpara de prueba o pinza amperimétrica en su conector) y"
            " luego grabe otro inyector del mismo modo."
        ),
    },
}
