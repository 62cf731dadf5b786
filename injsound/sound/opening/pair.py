"""Both clicks of a tick whose gap is a little different each time, to be matched each where it is.

At 5 kHz a close click that moves by 30 us against the open one keeps two thirds of its level in a match of both at one
gap, one that moves by 60 us a sixth, and each tick another share.
"""

from injsound.sound.matching.events import Pair
from injsound.sound.opening.parted import part_clicks
from injsound.sound.second_click import GAP_MAX_S, GAP_MIN_S, POST_S, PRE_S, SIDE_S
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import above_noise, cut
from injsound.values import FloatArray

# The second click is looked for within so many spreads of the usual gap.
_WANDERS = 2.5


def find_pair(white: FloatArray, sr: int, start_s: float, heard_s: FloatArray) -> tuple[Pair, float] | None:
    """Find the two clicks of a tick that was matched.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    heard_s : ndarray, shape (k,)
        When each tick was heard [s].

    Returns
    -------
    tuple of Pair and float, or None
        The two, and from the given times to the first of them [s]; None where no second click moves against the first.
    """
    rows = cut(white, sr, start_s, heard_s, SIDE_S, SIDE_S)
    zero = round(SIDE_S * sr)
    parted = part_clicks(rows, sr, zero=zero)
    if parted is None:
        return None
    early, late = sorted((parted.held_place, parted.place))
    gap_s = (late - early) / sr
    if not GAP_MIN_S <= gap_s <= GAP_MAX_S:
        return None
    start, stop = early - round(PRE_S * sr), late + round(POST_S * sr)
    first, second = (above_noise(mean, rows, sr)[max(0, start) : stop] for mean in parted.means(rows, sr))
    spread_s = robust_spread(parted.late_s[parted.clear])
    pair = Pair(
        first=first, second=second, lead_s=(early - max(0, start)) / sr, gap_s=gap_s, wander_s=_WANDERS * spread_s
    )
    return pair, (early - zero) / sr
