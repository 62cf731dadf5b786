"""The tables of all languages."""

from collections.abc import Mapping

from injsound.languages import Language
from injsound.show.words.english import ENGLISH
from injsound.show.words.spanish import SPANISH
from injsound.show.words.table import Table

LANGUAGES: Mapping[Language, Table] = {Language.ENGLISH: ENGLISH, Language.SPANISH: SPANISH}
