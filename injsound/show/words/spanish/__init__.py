"""Spanish of the workshop, neutral between Europe and Latin America; the reader is addressed as "usted"."""

from injsound.show.words.spanish.findings import FINDINGS
from injsound.show.words.spanish.reading import READING
from injsound.show.words.spanish.screens import SCREENS
from injsound.show.words.table import Table

SPANISH: Table = {**READING, **FINDINGS, **SCREENS}
