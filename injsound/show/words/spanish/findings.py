"""Spanish for what several recordings say together, and for the steps of the job."""

from injsound.job_codes import (
    CompareVerdict,
    Condition,
    Exchange,
    GapKind,
    MarkedBy,
    Measure,
    Shaking,
    Stage,
    SwapVerdict,
    Todo,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.show.words.keys import Line
from injsound.show.words.table import Table

FINDINGS: Table = {
    Line: {
        Line.FREEZE_FRAME: "datos congelados",
        Line.COMPARE: "comparación, {condition}",
        Line.CYLINDER: "cilindro",
        Line.ONE_CYLINDER: "el cilindro {cylinders}",
        Line.CYLINDERS: "los cilindros {cylinders}",
        Line.MOMENTS: "tropiezos",
        Line.MISSING: "faltan de juzgados",
        Line.OPEN_TIME: "apertura",
        Line.CHANGE: "desigual en",
        Line.OF: "{skipped} de {judged}",
        Line.NO_CONDITION: "condición sin indicar",
        Line.SWAP: "intercambio",
        Line.SWAP_BEFORE: "antes: tropiezos, faltan",
        Line.SWAP_AFTER: "después",
        Line.CELL: "{episodes}, {skipped} de {judged}",
        Line.CROSSED_INJECTOR: (
            "El fallo se quedó en el inyector al cambiarle el conector: el propio inyector o su enchufe."
        ),
        Line.CROSSED_CIRCUIT: (
            "El fallo se fue con el conector: cableado, conector o etapa de mando del cilindro {cylinder}."
        ),
        Line.SWAP_UNDONE: "deshecho",
        Line.PROOF: (
            "También cambiaron el calor, el tiempo y la conexión, que se desarmó: deshacer el cambio y ver que el"
            " fallo vuelve atrás es la prueba."
        ),
        Line.WENT_BACK: "Deshecho el cambio, el fallo está donde estaba al principio: esa es la prueba.",
        Line.PAIR_FAULTY: (
            "Deshecho el cambio, el fallo vuelve: hacen falta este inyector y este conector juntos, como cuando los"
            " terminales no ajustan bien."
        ),
        Line.DID_NOT_GO_BACK: (
            "Deshecho el cambio, el fallo no volvió con las piezas: quizá lo movieron el calor, el tiempo o desarmar la"
            " conexión. No pida ninguna pieza por esto."
        ),
        Line.STAYED_AWAY: (
            "Deshecho el cambio, ninguno falla: desarmar la conexión lo ha curado por ahora. Sospeche de la conexión."
        ),
        Line.BACK_NOT_SHOWN: "No se sabe si el fallo volvió al deshacer el cambio.",
        Line.TWO_SPEED: "dos regímenes, cilindro {cylinder}",
        Line.AT_SPEED: (
            "{rpm} rpm: {gap} ms del chasquido de apertura al de cierre, más o menos {error} ms ({count} chasquidos)"
        ),
        Line.AT_SPEED_NONE: "{rpm} rpm: tiempo de apertura sin medir",
        Line.FORETOLD: "A {rpm} rpm un solenoide daría de {low} a {high} ms, un mecanismo de {lowest} a {highest} ms.",
        Line.WIGGLE: "movimiento del cableado",
        Line.MISTAKES: "errores, unos",
        Line.NOT_JUDGED: "sin juzgar",
        Line.MOVED: "movido",
        Line.STILL: "quieto",
        Line.STRETCHES: "Quieto: {still} s. Movido: {moved} s.",
        Line.FROM_TO: "{from_s}–{to_s}",
        Line.VERIFY: "verificación",
        Line.VERIFY_AFTER: (
            "Tras la reparación faltaban {skipped} de {judged} chasquidos: como mucho el {high}, con un 95 % de"
            " confianza."
        ),
        Line.VERIFY_AFTER_ROWS: (
            "Tras la reparación faltaban {skipped} de {judged} chasquidos: aún pueden faltar como mucho el {high} si"
            " faltan de uno en uno, el {high_in_rows} si son {row} a la vez como antes (confianza del 95 %)."
        ),
        Line.VERIFY_CHANGE: (
            "Antes faltaban {skipped} de {judged}: un cambio del {change} % de todos los chasquidos (intervalo del 95"
            " %: de {low} a {high} %)."
        ),
        Line.RECORD_MORE: "Grabe {seconds} s más de cada uno, en la misma condición, mientras el motor tiembla.",
        Line.RECORD_AFTER: "Grabe {seconds} s más desde la reparación, en la condición en que aparecía el fallo.",
        Line.NOT_FLOW: "Un chasquido no prueba que el inyector entregue caudal ni que cierre bien.",
        Line.NEXT: "siguiente",
        Line.ENTER: "Después ponga {check} = true en case.toml.",
        Line.ENTER_RESTARTS: "Si todos salieron sin fallo, anote clean_since = {needed} en [restarts] de case.toml.",
        Line.SILENT: "mudo",
    },
    Condition: {
        Condition.COLD: "frío",
        Condition.WARM_RESTART: "rearranque en caliente",
        Condition.WARM_IDLE: "ralentí en caliente",
        Condition.WARM: "templado",
        Condition.HOT: "caliente",
    },
    Stage: {Stage.BEFORE: "antes", Stage.SWAPPED: "intercambiado", Stage.BACK: "deshecho", Stage.AFTER: "después"},
    Shaking: {Shaking.YES: "sí", Shaking.NO: "no", Shaking.UNKNOWN: "no se sabe"},
    Measure: {
        Measure.SKIPS: "faltas",
        Measure.STEADINESS: "variación de un chasquido al siguiente",
        Measure.OPEN_TIME: "tiempo de apertura",
    },
    CompareVerdict: {
        CompareVerdict.ODD_ONE: "El cilindro {odd} es el que se aparta de los demás.",
        CompareVerdict.SEVERAL: "Los cilindros {odd} se apartan de los demás.",
        CompareVerdict.NONE: "Ninguno se aparta de los demás.",
        CompareVerdict.NOT_SHOWN: "No queda demostrado cuál se aparta, si es que alguno lo hace.",
    },
    SwapVerdict: {
        SwapVerdict.FOLLOWS_INJECTOR: "El fallo sigue al inyector.",
        SwapVerdict.STAYS_WITH_CYLINDER: "El fallo se queda en el cilindro: cableado, conector o etapa de mando.",
        SwapVerdict.BOTH: "Tanto el inyector como el cableado del cilindro muestran un fallo.",
        SwapVerdict.NEITHER: (
            "Ahora no falla ninguno. Eso no es una reparación: desarmar la conexión puede haberlo curado por el"
            " momento."
        ),
        SwapVerdict.NOT_SHOWN: "No queda demostrado adónde fue el fallo.",
    },
    Exchange: {
        Exchange.INJECTORS: "Inyectores intercambiados, conectores en su lugar.",
        Exchange.CONNECTORS: (
            "Conectores cruzados, inyectores en su lugar. Solo en inyección en el colector, donde los cables alcancen"
            " y el fabricante lo permita: sin contacto en cada cambio, ralentí breve, y después vuelva a conectarlo"
            " como estaba."
        ),
        Exchange.ASSUMED: (
            "Ninguna etiqueta dice qué cambió de lugar: se toma como inyectores intercambiados. Con conectores"
            " cruzados significa lo contrario."
        ),
    },
    WiggleVerdict: {
        WiggleVerdict.GATHERS: "Las faltas se juntan mientras se mueve el cableado.",
        WiggleVerdict.DOES_NOT: "Las faltas no se juntan mientras se mueve el cableado.",
        WiggleVerdict.TOO_FEW: "Demasiado pocas para decirlo.",
        WiggleVerdict.NOT_SHOWN: "No queda demostrado si las faltas se juntan mientras se mueve el cableado.",
    },
    GapKind: {
        GapKind.SOLENOID: "La separación se mantiene, poco más o menos: es de un solenoide.",
        GapKind.MECHANICAL: "La separación baja en proporción al régimen: una válvula o una bomba, no un inyector.",
        GapKind.NOT_SHOWN: "No queda demostrado si la separación es de un solenoide.",
    },
    MarkedBy: {
        MarkedBy.TIMES: "Quieto y movido según los tiempos indicados.",
        MarkedBy.CASE: "Quieto y movido según los tiempos del caso.",
        MarkedBy.KNOCKS: "Quieto y movido según grupos de tres golpes ({count}); el primer tramo es quieto.",
    },
    VerifyVerdict: {
        VerifyVerdict.GOOD: "Bien, dentro del límite indicado.",
        VerifyVerdict.STILL_SKIPPING: "Sigue fallando después de la reparación.",
        VerifyVerdict.NOT_ENOUGH: "Todavía no alcanza para darlo por bueno.",
    },
    Why: {
        Why.MORE_EPISODES: ("Tropiezos: {episodes} en el cilindro {cylinder}, {others} en los demás ({p})."),
        Why.TICK_BY_TICK: (
            "Chasquido por chasquido, solo como descripción: faltan {skipped} de {judged} ahí y {others_skipped} de"
            " {others_judged} en los demás ({p})."
        ),
        Why.STANDS_APART: "Cilindro {cylinder}: {measure} {value}, en los demás de {low} a {high}.",
        Why.OPENS_SHORT: (
            "Pista, no veredicto: en el cilindro {cylinder} el {measure} es corto, {value}, en los demás de {low} a"
            " {high}. Lo causaría una pérdida de tensión en su conector (unos {volts} V), una apertura lenta o que se"
            " atasca."
        ),
        Why.OPENS_LONG: (
            "Pista, no veredicto: en el cilindro {cylinder} el {measure} es largo, {value}, en los demás de {low} a"
            " {high}: cierre lento o que se atasca."
        ),
        Why.OPEN_TIME_DOUBTED: (
            "Sin pista: en el cilindro {cylinder} se midieron {value} ms de apertura, en los demás de {low} a {high}"
            " ms, pero oscila {spread_us} µs y los demás {usual_us} µs: alguno puede ser un eco. Grabe otra vez, con la"
            " sonda un poco movida."
        ),
        Why.OPEN_TIME_FAR: (
            "Sin pista: en el cilindro {cylinder} se midieron {value} ms de apertura, en los demás de {low} a {high}"
            " ms: tan lejos es otro sonido y no el chasquido de cierre. Grabe otra vez, con la sonda un poco movida."
        ),
        Why.OPEN_TIME_LACKING: "No se midió el tiempo de apertura en {cylinders}: ahí no se compara.",
        Why.OPEN_TIMES_UNLIKE: (
            "Refrigerante o ancho de pulso difieren: el tiempo de apertura solo se compara donde son parecidos."
        ),
        Why.NONE_STANDS_OUT: "Se grabaron los {cylinders} mientras el motor temblaba y ninguno falla más que el resto.",
        Why.NOTHING_SKIPS: "No faltó nada.",
        Why.SKIPS_PLACED: "Tropiezos: {episodes} donde esto sitúa el fallo, {others} en las demás grabaciones ({p}).",
        Why.SKIPS_GONE: "Tropiezos: {episodes} antes del intercambio, {others} en las dos de después ({p}).",
        Why.PLACE_UNCLEAR: "Las cuatro grabaciones aún no encajan claramente con ninguna respuesta.",
        Why.SILENT: "En el cilindro {cylinder} no suena nada, mientras los demás suenan.",
        Why.NEIGHBOUR_RECORDED: (
            "{file} no se cuenta: su chasquido cae en el sitio del cilindro {neighbour} en el orden, no en el del"
            " {cylinder}. O la sonda estaba más cerca del {neighbour}, o el {cylinder} está mudo: grabe otra vez el"
            " {cylinder}, con la sonda en su cuerpo."
        ),
        Why.IN_ORDER: "Chasquidos en orden de encendido, según el sonido del propio motor: {cylinders}.",
        Why.TOO_FEW_CYLINDERS: "Cilindros grabados hasta ahora: {count}; hacen falta {needed}.",
        Why.NOT_TWO_CYLINDERS: (
            "Un intercambio necesita los mismos dos cilindros antes y después; estas grabaciones son de {cylinders}."
        ),
        Why.NOT_COUNTED: "{file} no se pudo contar: {reason}. Grábelo otra vez, si aún es posible.",
        Why.SPEED_TYPED: (
            "Se indicaron {rpm_given} rpm y el sonido se repite como a {rpm_heard}: si fue un error al escribirlas,"
            " corríjalas; no hace falta grabar otra vez."
        ),
        Why.ORDER_HELPS: (
            "Con el orden de encendido quizá se sepa sin otra grabación: dé --firing-order, en un caso firing_order"
            " bajo [engine]."
        ),
        Why.ALONE_UNHEARD: (
            "Indicio, no veredicto: el chasquido de cada uno de los demás destaca, en el cilindro {cylinder} ninguno."
            " Puede estar mudo: compruebe que recibe mando, antes de grabarlo otra vez o a la vez."
        ),
        Why.SKIPS_BY_ITSELF: (
            "Por su propia grabación el cilindro {cylinder} falla: faltan {skipped} de {judged} chasquidos."
        ),
        Why.NOT_MEASURED: "No se comparan la estabilidad ni el tiempo de apertura de {file}: {reason}.",
        Why.CONDITIONS_DIFFER: "Las condiciones difieren ({conditions}): solo se compara lo igual con lo igual.",
        Why.SPEEDS_DIFFER: "Los regímenes difieren demasiado: de {rpm_low} a {rpm_high} rpm.",
        Why.LENGTHS_DIFFER: "Las duraciones difieren demasiado: de {seconds_short} a {seconds_long} s.",
        Why.CELL_MISSING: "Falta una grabación del cilindro {cylinder}, {stage}.",
        Why.ENGINES_DIFFER: (
            "Las grabaciones son de motores distintos: difieren los cilindros, el orden de encendido o la inyección."
        ),
        Why.NOTHING_MOVED: "Según sus etiquetas, nada cambió de lugar.",
        Why.BOTH_MOVED: (
            "Según sus etiquetas, inyectores y conectores cambiaron de lugar a la vez: devuelva unos u otros a su"
            " sitio y grabe."
        ),
        Why.LABELS_UNCLEAR: (
            "Etiquetas antes: {before}; después: {after}. Se esperaban las mismas dos, cruzadas: corríjalas en el caso."
        ),
        Why.SAME_RECORDING: "{file} y {other} son la misma grabación.",
        Why.NO_FAULT_BEFORE: "No había un fallo claro antes: no hay nada que seguir.",
        Why.DIFFERENCE_UNCLEAR: "La diferencia aún no es clara ({p}).",
        Why.MISFIRE_MOVED: (
            "Según la unidad de control, el fallo de encendido estaba antes en el cilindro {cylinder} y después en el"
            " {other}."
        ),
        Why.MISFIRE_STAYED: (
            "Según la unidad de control, el fallo de encendido estaba en el cilindro {cylinder} antes y después."
        ),
        Why.SECOND_AGREES: "Eso concuerda con el sonido.",
        Why.SECOND_CONTRADICTS: (
            "Eso contradice al sonido: un fallo de encendido es de la combustión. Revise también encendido y"
            " compresión, y repita ambas cosas."
        ),
        Why.UNLIKE_FREEZE_FRAME: (
            "El código se guardó a {rpm} rpm, refrigerante a {coolant_c} °C, carga {load_percent} %. Ninguna"
            " grabación se hizo así: falta grabar la condición en que aparece el fallo."
        ),
        Why.RAN_WELL: "{file} se grabó mientras el motor marchaba bien: no descarta nada.",
        Why.GAP_HOLDS: "De {rpm_low} a {rpm_high} rpm solo la separación de un solenoide se mantiene así.",
        Why.GAP_FALLS: "De {rpm_low} a {rpm_high} rpm solo una separación mecánica baja así.",
        Why.GAP_FITS_BOTH: (
            "De {rpm_low} a {rpm_high} rpm encaja con ambos: anote el ancho de pulso en los dos regímenes."
        ),
        Why.GAP_FITS_NEITHER: (
            "De {rpm_low} a {rpm_high} rpm no encaja con ninguno: anote el ancho de pulso en los dos regímenes o"
            " grabe otra vez."
        ),
        Why.ONE_SPEED: "{rpm_low} y {rpm_high} rpm son un mismo régimen: mantenga 2000 rpm en la segunda grabación.",
        Why.SPEEDS_TOO_CLOSE: (
            "{rpm_low} y {rpm_high} rpm están demasiado cerca: mantenga un régimen más alto o anote el ancho de pulso"
            " en ambos."
        ),
        Why.NO_OPEN_TIME: (
            "A {rpm} rpm se midieron {count} tiempos de apertura; hacen falta {needed}: grabe otra vez, más cerca."
        ),
        Why.MORE_WHILE_MOVED: "Tropiezos: {moved} al mover, {still} en reposo ({p}).",
        Why.NOT_MORE_WHILE_MOVED: "Tropiezos: {moved} al mover, {still} en reposo ({p}).",
        Why.MOVING_UNCLEAR: (
            "Tropiezos: {moved} al mover, {still} en reposo ({p}). Para decir que no se juntan al mover hacen falta"
            " {needed} o más, y no claramente más al mover: grabe más tiempo o pase al intercambio."
        ),
        Why.MOVED_UNJUDGED: (
            "De los chasquidos mientras se movía, el {percent} % no se pudo juzgar por el ruido del manejo: demasiado"
            " para un no. Mueva el cableado más lejos de la sonda, o con más suavidad."
        ),
        Why.TOO_FEW_STRETCHES: (
            "Tramos en los que se pudieron juzgar chasquidos: {moved} movidos, {still} quietos; hacen falta {needed} de"
            " cada uno."
        ),
        Why.KNOCKS_UNCLEAR: "Golpes a los {at_s} s: {count}, no tres.",
        Why.KNOCKS_UNLIKE: "Golpes o roces a los {at_s} s: {count} que no suenan como los demás golpes.",
        Why.STRETCH_LONG: (
            "De {from_s} a {to_s} s no se oyeron tres golpes: {seconds} s, lo habitual aquí son {usual} s. Puede faltar"
            " un cambio."
        ),
        Why.STRETCHES_SHORT: (
            "Los dos tramos de {from_s} a {to_s} s duran juntos {seconds} s, lo habitual aquí son {usual} s para uno."
            " Un cambio puede estar marcado dos veces."
        ),
        Why.MARK_AGAIN: (
            "Un cambio de menos o de más invierte quieto y movido: indique los tiempos o grabe otra vez con tres golpes"
            " en cada cambio."
        ),
        Why.NO_KNOCKS: "No hay ningún grupo de golpes: indique los tiempos o dé tres golpes en metal en cada cambio.",
        Why.MOVED_NOT_COUNTED: "{file} no se pudo contar: {reason}. Grábelo otra vez.",
        Why.WHOSE_TICK: "El chasquido que se contó puede ser de otro: {reason}.",
        Why.ORDER_UNKNOWN: (
            "No se sabe dónde suenan los demás inyectores: indique primero --firing-order, por ejemplo 1-3-4-2, o"
            " firing_order en case.toml."
        ),
        Why.SKIPS_LEFT: "Tropiezos en el cilindro {cylinder} desde la reparación: {episodes}.",
        Why.TICK_IN_DOUBT: "{file} no responde del cilindro {cylinder}: {reason}. Grábelo otra vez, más cerca.",
        Why.BOUND: "Se juzgaron {judged} chasquidos, bastantes para mostrar un fallo del 1 %.",
        Why.SIBLING_SKIPS: "También falla el cilindro {cylinder}.",
        Why.SIBLINGS_NOT_RECORDED: "Con grabación de antes de la reparación y ninguna posterior: {cylinders}.",
        Why.FELLOWS_NEEDED: (
            "Otros inyectores grabados desde la reparación: {count}. Al menos {needed} muestran lo habitual en este"
            " motor."
        ),
        Why.INSIDE_FELLOWS: "Acorde con los demás: {measure} {value}, se espera de {low} a {high}.",
        Why.OUTSIDE_FELLOWS: "Distinto de los demás: {measure} {value}, se espera de {low} a {high}.",
        Why.RESTARTS_NEEDED: "Arranques sin fallo hasta ahora: {clean}; hacen falta {needed}.",
        Why.TICKS_SHORT: (
            "Se juzgaron {judged} chasquidos desde la reparación: hacen falta unos {needed} para mostrar que no puede"
            " quedar más del 1 %."
        ),
        Why.LEAKS_NOT_CHECKED: (
            "Hay que comprobar que las uniones no tengan fugas con el contacto puesto, en marcha y en caliente."
        ),
    },
    Todo: {
        Todo.SAVE_CODES: (
            "Guarde los códigos almacenados y pendientes ({codes}), los datos congelados y los contadores de fallos"
            " de encendido antes de borrar o desconectar nada."
        ),
        Todo.READ_CODES: (
            "Lea y guarde los códigos almacenados y pendientes, los datos congelados y los contadores de fallos de"
            " encendido antes de borrar o desconectar nada, y anótelos en [codes] de case.toml."
        ),
        Todo.QUICK_CHECKS: (
            "Compruebe primero lo que no abre ninguna línea de combustible, sin contacto: bujía, cable o bobina"
            " cambiados con los de otro cilindro; ajuste y terminales del conector; resistencia de la bobina frente al"
            " valor propio del vehículo y entre compañeros, en frío y en caliente."
        ),
        Todo.RECORD_SHAKING: "Grabe el cilindro {cylinder} durante 60 s o más mientras el motor tiembla.",
        Todo.RECORD_EACH: "Grabe cada inyector durante 60 s o más mientras el motor tiembla, uno tras otro.",
        Todo.SAY_SHAKING: (
            'Grabaciones que no dicen si el motor temblaba: {count}. Donde temblaba, escriba shaking = "yes" bajo su'
            " [[recording]] en case.toml; donde no, grábela otra vez mientras tiembla."
        ),
        Todo.RECORD_AGAIN: "Grabe otra vez {file}, con otro nombre: {reason}.",
        Todo.RECORD_OTHERS: "Grabe {cylinders} del mismo modo, en la misma condición.",
        Todo.RECORD_REST: (
            "Grabe los demás inyectores del mismo modo, en la misma condición: uno solo no se compara con nada."
        ),
        Todo.RECORD_MORE: "Grabe {seconds} s más en la misma condición.",
        Todo.LOOK_ELSEWHERE: (
            "Los inyectores suenan mientras el motor tiembla: revise la presión de combustible y cómo se mantiene sin"
            " contacto, el equilibrio de caudal, un inyector que gotea, entradas de aire, encendido y compresión."
        ),
        Todo.PROVE_DRIVE: (
            "Compruebe en el conector del cilindro {cylinder} que el inyector recibe mando (lámpara de prueba o pinza"
            " amperimétrica) y mida la caída de tensión con carga."
        ),
        Todo.WIGGLE: (
            "Prueba de movimiento del cableado en el cilindro {cylinder}, la última con el riel montado: seis tramos"
            " quietos y seis movidos, alternados, de 8 s cada uno; anote los tiempos, o en cada cambio dé tres golpes"
            " en metal lejos del inyector, del conector y del mazo de cables. Manos lejos de correas, ventiladores y"
            " bobinas."
        ),
        Todo.REPAIR_WIRING: (
            "Repare el cableado, el conector o la etapa de mando del cilindro {cylinder}; después verifique."
        ),
        Todo.SWAP: (
            "Intercambie los cilindros {cylinder} y {partner}: sin contacto, cruce sus conectores donde los cables"
            " alcancen y el fabricante lo permita, o intercambie sus inyectores, con el motor frío y la presión"
            " descargada. Grabe ambos otra vez, con intercambiado en el nombre, y escriba qué se movió: injector = o"
            " connector = bajo las dos grabaciones."
        ),
        Todo.REPAIR_BOTH: (
            "Repare el cableado del cilindro {cylinder} y reemplace el inyector que estaba ahí al principio; después"
            " verifique."
        ),
        Todo.SWAP_BACK: (
            "Deshaga el cambio y grabe otra vez los dos cilindros, con la palabra deshecho en los nombres: si el fallo"
            " vuelve, esa es la prueba."
        ),
        Todo.CHECK_PINS: (
            "No pida ninguna pieza. Mire los terminales y la junta donde se enchufa el inyector del cilindro {cylinder}"
            " y repare lo que esté verde, doblado o flojo. Después, verifique; si vuelve a temblar, grábelo entonces."
        ),
        Todo.NAME_EXCHANGE: (
            "Diga qué cambió de lugar antes de pedir una pieza, pues de eso depende cuál: en case.toml, bajo la"
            ' grabación intercambiada del cilindro {cylinder}, escriba injector = "{partner}" si se intercambiaron los'
            ' inyectores o connector = "{partner}" si se cruzaron los conectores, y "{cylinder}" bajo la del cilindro'
            " {partner}."
        ),
        Todo.TESTS_DISAGREE: (
            "La prueba de mover el cableado dice cableado, el intercambio dice inyector: no pida aún ninguna pieza."
            " Deshaga el cambio, grabe los dos cilindros otra vez y repita la prueba de mover: el fallo tiene que"
            " volver con el inyector, o es una conexión."
        ),
        Todo.REPLACE: (
            "Reemplace el inyector que al principio estaba en el cilindro {cylinder}, con el motor frío, la presión"
            " descargada y juntas nuevas; después verifique, con el cilindro donde está el nuevo bajo [repair]."
        ),
        Todo.VERIFY: (
            "Grabe el cilindro {cylinder} y los demás después de la reparación, en la condición en que aparecía el"
            " fallo."
        ),
        Todo.CHECK_LEAKS: "Compruebe que las uniones no tengan fugas con el contacto puesto, en marcha y en caliente.",
        Todo.RESTART_MORE: (
            "Arranque el motor otras {more} veces en la condición en que aparecía el fallo: ninguna debe mostrarlo."
        ),
        Todo.RECORD_SINCE: (
            "Grabe también {cylinders} después de la reparación, en la condición en que aparecía el"
            " fallo: hasta ahora solo hay grabaciones de antes."
        ),
        Todo.RECORD_FELLOWS: (
            "Grabe otros inyectores después de la reparación, en la misma condición, {more} más: con {needed} se ve"
            " lo habitual en este motor."
        ),
        Todo.RECORD_ALIKE: (
            "Grabe el cilindro {cylinder} después de la reparación en la condición y al régimen de las grabaciones de"
            " antes."
        ),
        Todo.FIND_FAULT: (
            "Ninguna grabación de antes de la reparación contiene el fallo, así que no se puede mostrar que se fue:"
            " añada una que lo contenga, si la hay. Si no, solo lo dirán los arranques en la condición en que aparecía"
            " y una prueba en carretera."
        ),
        Todo.SIBLING_FAULTY: (
            "También falla el cilindro {cylinder}: siga con él como con el primero, desde la comprobación de que"
            " recibe mando."
        ),
        Todo.OUT_OF_LINE: (
            "El cilindro {cylinder} no concuerda con los demás ({measure}): grábelo otra vez, y también los demás, con"
            " la sonda en el cuerpo de cada inyector. Si sigue así, revise su conector, su mando y la propia pieza."
        ),
        Todo.STILL_FAULTY: "La reparación no lo curó: vuelva a la comparación.",
        Todo.ROAD_TEST: (
            "Borre los códigos una vez guardados sus datos congelados, conduzca y vigile los contadores de fallos de"
            " encendido, los ajustes de combustible y las fugas en las uniones: el ralentí no es una prueba en"
            " carretera."
        ),
    },
}
