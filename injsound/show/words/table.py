"""The shape of a language's table: for every kind of code, a template for each of its members."""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

Table = Mapping[type[StrEnum], Mapping[Any, str]]
