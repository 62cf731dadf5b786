"""How pictures look, and how they are encoded.

Ink is one blue that grows darker with click energy; a missing tick is an amber diamond with a black edge, a weak one a
small hollow circle, an unjudged one a grey cross. Shape, shade and place say the same, so that grey print and
colour-blind eyes lose nothing.
"""

import io
from typing import TYPE_CHECKING

import numpy as np

from injsound.values import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

# Inches: as wide as a phone held upright, and printed at that size no text is under 8 pt.
_WIDTH = 6.3
DPI = 150
SMALL, BODY, LARGE = 8.0, 9.0, 15.0
INK = ("#ffffff", "#cfdbe6", "#6f93b3", "#24527a", "#0b2239")
DARK = "#0b2239"
MARK = "#e8a200"
QUIET = "#8a8f94"
_NEARLY_WHITE = 250


def empty_figure(height: float) -> "Figure":
    """A white page as wide as a phone held upright.

    Parameters
    ----------
    height : float
        Its height [inch].

    Returns
    -------
    Figure
        On an Agg canvas.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH, height), facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def png_bytes(figure: "Figure") -> bytes:
    """Encode a figure as PNG in 64 colours: a quarter of the size and of the time.

    Parameters
    ----------
    figure : Figure
        On an Agg canvas.

    Returns
    -------
    bytes
        The file, 150 dots per inch.
    """
    from PIL import Image

    figure.set_dpi(DPI)
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba())[:, :, :3]  # type: ignore[attr-defined]  # the canvas is Agg's
    buffer = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(pixels)).quantize(
        64, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
    )
    # The page's white is averaged with what is nearly white: it would print as a tint.
    image.putpalette([255 if level > _NEARLY_WHITE else level for level in image.getpalette() or ()])
    image.save(buffer, "PNG", dpi=(DPI, DPI))
    return buffer.getvalue()


def encoded(figure: "Figure", kind: str) -> bytes:
    """Encode a figure, the same bytes each time.

    Parameters
    ----------
    figure : Figure
        To draw.
    kind : str
        ``"png"`` or ``"svg"``.

    Returns
    -------
    bytes
        The file; letters of SVG are drawn as paths.
    """
    import matplotlib as mpl

    if kind == "png":
        return png_bytes(figure)
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": "injsound"}):
        figure.savefig(buffer, format=kind, dpi=DPI, metadata={"Date": None})
    return buffer.getvalue()


def style(axes: "Axes", title: str) -> None:
    """Title, ticks and frame of a panel.

    Parameters
    ----------
    axes : Axes
        The panel.
    title : str
        What stands over it.
    """
    # With its height given, matplotlib need not measure everything else on the panel first.
    axes.set_title(title, fontsize=BODY, color=DARK, loc="left", y=1.0, pad=6)
    axes.tick_params(labelsize=SMALL, length=2.5, color=QUIET, labelcolor=DARK)
    for side in axes.spines.values():
        side.set_color(QUIET)
        side.set_linewidth(0.6)


def colours() -> "Colormap":
    """One blue that grows darker with click energy.

    Returns
    -------
    Colormap
        From white to nearly black.
    """
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("ink", INK)


def ink_range(rows: FloatArray) -> tuple[float, float]:
    """Click energy that is drawn white, and that drawn darkest.

    Parameters
    ----------
    rows : ndarray, shape (n, bins)
        Click energy of every cycle [unitless].

    Returns
    -------
    tuple of float
        Low, high [unitless].
    """
    low, high = np.quantile(rows, [0.3, 0.997])
    return float(low), float(high)
