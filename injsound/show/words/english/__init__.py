"""English: the language that the others are measured by."""

from injsound.show.words.english.findings import FINDINGS
from injsound.show.words.english.reading import READING
from injsound.show.words.english.screens import SCREENS
from injsound.show.words.table import Table

ENGLISH: Table = {**READING, **FINDINGS, **SCREENS}
