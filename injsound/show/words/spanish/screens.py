"""Spanish for the report's page and for what the commands print around their results."""

from injsound.engine import Injection
from injsound.show.words.keys import CaseFile, Page, Screen
from injsound.show.words.table import Table
from injsound.trouble_codes import TroubleKind

SCREENS: Table = {
    Page: {
        Page.TITLE: "Informe de inyectores",
        Page.COMPLAINT: "Queja del cliente",
        Page.FOUND: "Qué se encontró",
        Page.EVIDENCE: "Pruebas",
        Page.COMPARED: "Los inyectores uno junto a otro, a igual escala",
        Page.LISTEN: "Para escuchar",
        Page.LISTEN_SKIP: "alrededor de un chasquido ausente, a los {time} s",
        Page.LISTEN_SOUND: "un tramo sin faltas, a los {time} s",
        Page.QUARTER: "a un cuarto de velocidad",
        Page.CANNOT: "Lo que esto no puede decir",
        Page.CANNOT_TEXT: (
            "Un chasquido no prueba que el inyector entregue caudal ni que cierre bien. Una grabación hecha mientras"
            " el motor marchaba bien no descarta nada. Este método aún no se ha probado con ningún inyector cuyas"
            " faltas se hayan confirmado en banco."
        ),
        Page.CAUTIONS: "Precauciones",
        Page.FILES: "Archivos",
        Page.MADE: "hecho el {date} con injsound {version}",
        Page.NOTHING_YET: "Los inyectores aún no se han comparado.",
        Page.ODD_COUNTED: (
            "Al inyector del cilindro {odd} le faltaron {skipped} de {judged} chasquidos; a los de los demás cilindros,"
            " {elsewhere} de {others}."
        ),
        Page.RECORDINGS: "Cada grabación",
        Page.COMES_NEXT: "Lo que sigue",
    },
    Screen: {
        Screen.PROGRESS: "{number} de {count}: {file}",
        Screen.READ: "leído {file}",
        Screen.LEFT_OUT: (
            "fuera de la comparación, por ser de otro régimen, condición o etapa que la mayoría, o no temblar mientras"
            " otros temblaban: {files}"
        ),
        Screen.SECOND_OPINION: "segunda opinión: librosa se prepara, una sola vez, hasta 15 s",
        Screen.PICTURE: "imagen: {file}",
        Screen.INTERVAL: "intervalo",
        Screen.INTERVAL_LINE: "{interval} ms entre chasquidos a {rpm} rpm, {injection}",
        Screen.SCATTERED: "dispersos",
        Screen.SCATTERED_LINE: (
            "{time} ({ticks} chasquidos): menos del {rate} % con un 95 % de confianza, si no falta ninguno"
        ),
        Screen.BURSTS: "en rachas",
        Screen.BURSTS_LINE: "{time} ({ticks} chasquidos): lo mismo para faltas que llegan de cinco en cinco",
        Screen.SIMULATED: "{file}: {skipped} de {due} chasquidos omitidos, {rpm} rpm",
        Screen.CASE_MADE: "hecho: {file}",
        Screen.CASE_ENTRY: "{file}: cilindro {cylinder}, {condition}, {stage}, tiembla: {shaking}",
        Screen.CASE_INJECTOR: "inyector {injector}",
        Screen.CASE_SPEED: "{rpm} rpm",
        Screen.CASE_ADDED: "añadidas: {added}; las demás no, por lo dicho arriba",
        Screen.CASE_CORRECT: "¿algo mal? corríjalo en {file}",
        Screen.WATCHING: "vigilando {folder}: se responde a cada grabación nueva; Ctrl-C termina",
        Screen.REPORT: "informe: {file}",
        Screen.BATCH_DONE: "leídos: {count}; de los {files} de la tabla no se pudieron usar: {failed}; tabla: {file}",
        Screen.DEMO_STORY: (
            "Dos casos de práctica, de la primera grabación a la reparación. Las grabaciones son simuladas; no las hizo"
            " ningún motor real."
        ),
        Screen.DEMO_READ: "{count} grabaciones: {verdicts}",
        Screen.DEMO_FOUND: "hallado",
    },
    CaseFile: {
        CaseFile.TOP: "Un caso de injsound. Edítelo con libertad: los comentarios se conservan.",
        CaseFile.CODES: "Tal como se leyeron antes de borrar o desconectar nada.",
        CaseFile.MISFIRES: "contadores por cilindro; los de después de un intercambio, en [codes_swapped]",
        CaseFile.CHECKS: "true cuando esté hecho:",
        CaseFile.CODES_SAVED: "códigos, datos congelados y contadores están anotados arriba",
        CaseFile.QUICK: "lo que no abre nada: bujía, cable o bobina cambiados, conectores, resistencias",
        CaseFile.DRIVE: "lámpara de prueba o pinza: el inyector que se aparta recibe mando",
        CaseFile.LEAKS: "tras la reparación: uniones secas con contacto, en marcha y en caliente",
        CaseFile.REPAIR: "Tras la reparación:",
        CaseFile.RESTARTS: "arranques con el fallo, de cuántos; sin él desde la reparación",
        CaseFile.OUTCOME: "lo que se halló en el banco o tras cambiar la pieza",
    },
    Injection: {Injection.SEQUENTIAL: "inyección secuencial", Injection.BATCH: "inyección en grupo"},
    TroubleKind: {
        TroubleKind.MISFIRE: "Fallo de encendido detectado en el cilindro {cylinder}",
        TroubleKind.RANDOM_MISFIRE: "Fallo de encendido aleatorio o en varios cilindros",
        TroubleKind.CIRCUIT: "Circuito del inyector, abierto o defectuoso",
        TroubleKind.CYLINDER_CIRCUIT: "Circuito del inyector del cilindro {cylinder}, abierto o defectuoso",
        TroubleKind.CIRCUIT_LOW: "Circuito del inyector del cilindro {cylinder}, señal baja",
        TroubleKind.CIRCUIT_HIGH: "Circuito del inyector del cilindro {cylinder}, señal alta",
        TroubleKind.BALANCE: "Contribución del cilindro {cylinder}, desequilibrada",
        TroubleKind.LOW_FUEL: "Fallo de encendido con poco combustible",
        TroubleKind.NO_CYLINDER: "Fallo de encendido en un solo cilindro (sin especificar)",
        TroubleKind.LEAN: (
            "Mezcla demasiado pobre, banco {bank}: antes que un inyector, la presión de combustible y las entradas de"
            " aire"
        ),
        TroubleKind.RICH: (
            "Mezcla demasiado rica, banco {bank}: la presión de combustible y un inyector que gotea, que suena igual"
        ),
        TroubleKind.OTHER: "no trata de fallos de encendido, inyectores ni mezcla: se guarda",
    },
}
