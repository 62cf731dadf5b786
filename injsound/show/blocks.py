"""What one test found, as a block: a title, a table or none, and sentences; the report makes HTML of the same."""

from dataclasses import dataclass

from injsound.show.text import wrapped


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One finding in words.

    Parameters
    ----------
    title : str
        Such as "compare, cold".
    said : tuple of str
        Sentences, each a paragraph.
    table : tuple of tuple of str
        Rows of as many cells each, the first one their heads; empty where there is none.
    widths : tuple of int
        Columns of the terminal for each cell; the first is set left, the others right [unitless].
    """

    title: str
    said: tuple[str, ...]
    table: tuple[tuple[str, ...], ...] = ()
    widths: tuple[int, ...] = ()


def laid_out(block: Block) -> list[str]:
    """A block for the terminal.

    Parameters
    ----------
    block : Block
        The finding.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    rows = [_row(cells, block.widths) for cells in block.table]
    return [block.title, *rows, *(line for said in block.said for line in wrapped(said))]


def _row(cells: tuple[str, ...], widths: tuple[int, ...]) -> str:
    first, *others = (
        f"{cell:{'>' if k else '<'}{width}}" for k, (cell, width) in enumerate(zip(cells, widths, strict=True))
    )
    return "  " + first + "".join(others)
