"""The cautions, in a room without other codes: help shows them and must answer at once."""

from collections.abc import Mapping

from injsound.languages import Language

CAUTIONS: Mapping[Language, str] = {
    Language.ENGLISH: (
        "Fuel is under pressure, parts turn and burn, coils and injector drives carry high voltage, exhaust holds"
        " carbon monoxide. Follow the vehicle maker's procedure and local codes; work that opens the fuel system"
        " or touches high voltage is for licensed people."
    ),
    Language.SPANISH: (
        "El combustible está a presión, hay piezas que giran y que queman, las bobinas y el mando de los"
        " inyectores llevan alta tensión y los gases de escape contienen monóxido de carbono. Siga el"
        " procedimiento del fabricante del vehículo y las normas locales; abrir el sistema de combustible o tocar"
        " la alta tensión es trabajo para personal autorizado."
    ),
}
