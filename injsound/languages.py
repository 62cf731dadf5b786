"""The languages in which sentences are told."""

from enum import StrEnum


class Language(StrEnum):
    """By its code of ISO 639-1."""

    ENGLISH = "en"
    SPANISH = "es"
