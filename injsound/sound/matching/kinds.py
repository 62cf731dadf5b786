"""Heard and absent as two kinds of match, and the probability that an event is of the second.

What an absent tick leaves at its place is learnt elsewhere: from matches of the same mean tick a few milliseconds
away, or, where another sound of the engine lies at the tick's own place, from that sound.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, special

from injsound.sound.matching.laws import BoolArray, Chance, ChanceSeen, OtherSound, Ticks
from injsound.sound.signals import robust_spread
from injsound.values import FloatArray

# Share of heard ticks that may be much fainter than their fellows, fewer the fainter down to -12 dB: from memory.
_FAINT, _FAINTEST = 0.003, 0.25
# A doublet is one where each click holds this share of the norm; from tick to tick their share varies by this much.
_LEAST_HALF, _HALF_SPREAD = 0.35, 0.25
# Share of absent ticks at whose place another sound happens to meet one of the two clicks, and how strongly, as a share
# of a heard tick: from memory.
_LOPSIDED, _LOPSIDED_REACH = 0.1, 0.2
_LEAST_PRIOR = 1e-3
# The highest of many matches with even noise spreads by this share of it; more, where the sound behind is of blows.
_EVEN_CHANCE = 0.45
# Faint ticks were skipped more often than the two kinds say, by so much in log odds, the more the less these lie apart
# (separations between which it falls): measured, docs/methods.md.
_CAUTION, _LEAST_CAUTION = 0.8, 0.2
_CLOSE, _CLEAR = 2.5, 4.0
# -log(log 2), the distance from there to -log(-log 0.98), and to it from -log(-log 0.1); narrower no chance is.
_GUMBEL_50, _GUMBEL_50_TO_98, _GUMBEL_10_TO_50, _LEAST_SCALE = 0.36651, 3.53543, 1.20055, 0.2
# So many missing ticks show what they leave; their spread is known to about one in the root of their number.
_FEWEST_SEEN, _FEW_MORE = 10, 1.5
# A close click lies this far after the open one.
_GAP_FROM_S, _GAP_TO_S = 0.0010, 0.0070
# A mean tick shorter than this beyond the nearest close click holds one click only.
_LEAST_GAP_S = 0.0010
# Share of chance matches that lie anywhere within reach rather than near the due time, at least.
_ANYWHERE = 0.05
# Matches under this share of the usual may be another sound's; so many of them, this far over chance and from the heard
# ones, make a group; less alike than this, their mean is no faint tick.
_LOW_SHARE, _LEAST_GROUP, _GROUP_OVER, _GROUP_APART = 0.5, 6, 2.0, 3.0
_ALIKE = 0.85
_ROUNDS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kinds:
    """The two kinds of match.

    Parameters
    ----------
    skip_probability : ndarray, shape (n,)
        Probability of the second kind [unitless].
    usual : ndarray, shape (n,)
        Usual match of heard ticks around each event [standard deviations].
    separation : float
        Distance of heard from absent [standard deviations].
    miss_probability : float
        Share of absent ticks that would be called heard [unitless].
    absent_place, absent_scale : float
        Of the law of absent ones [standard deviations].
    heard_mean, heard_sd : float
        Usual value of heard ones, and their spread about it [standard deviations].
    """

    skip_probability: FloatArray
    usual: FloatArray
    separation: float
    miss_probability: float
    absent_place: float
    absent_scale: float
    heard_mean: float
    heard_sd: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Halves:
    """How the open and the close click matched by themselves.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Match of each click [standard deviations].
    first_norm, second_norm : float
        Share of the mean tick's norm that each holds [unitless].
    """

    first: FloatArray
    second: FloatArray
    first_norm: float
    second_norm: float

    def log_even(self, value: FloatArray, spread: float) -> FloatArray:
        """Log density of the close click's match, where both clicks share the value as the mean tick does."""
        expected = self.second_norm * value
        sd = np.hypot(self.first_norm, spread * expected)
        log: FloatArray = _log_t3((self.second - expected) / sd) - np.log(sd)
        return log

    def log_lopsided(self) -> FloatArray:
        """Log density of the fainter click's match, where only the other one met something that is no tick."""
        fainter = np.minimum(self.first * self.second_norm, self.second * self.first_norm)
        scale = np.where(
            self.first * self.second_norm < self.second * self.first_norm, self.second_norm, self.first_norm
        )
        log: FloatArray = -0.5 * (fainter / scale) ** 2
        return log


def match_halves(rows: FloatArray, template: FloatArray, sr: int, *, zero: int) -> Halves | None:
    """Match both clicks of the mean tick by themselves.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        The sound at each event [standard deviations].
    template : ndarray, shape (m,)
        Mean tick, unit norm [unitless].
    sr : int
        Sampling rate [Hz].
    zero : int
        Where its open click lies [samples].

    Returns
    -------
    Halves or None
        None where it is no clear doublet: then there is nothing to compare.
    """
    power = ndimage.uniform_filter1d(template**2, max(3, round(0.0004 * sr)))
    low, high = (zero + round(s * sr) for s in (_GAP_FROM_S, _GAP_TO_S))
    high = min(high, len(template) - round(_GAP_FROM_S * sr))
    if high - low < round(_LEAST_GAP_S * sr):
        return None
    share = np.cumsum(template[:high] ** 2)[low:]
    both = np.minimum(share, 1 - share) >= _LEAST_HALF**2
    if not both.any():
        return None
    cut_at = low + int(np.where(both, power[low:high], np.inf).argmin())
    norms = [max(float(np.linalg.norm(part)), 1e-9) for part in (template[:cut_at], template[cut_at:])]
    return Halves(
        first=rows[:, :cut_at] @ template[:cut_at] / norms[0],
        second=rows[:, cut_at:] @ template[cut_at:] / norms[1],
        first_norm=norms[0],
        second_norm=norms[1],
    )


def place_odds(late_s: FloatArray, stray_s: FloatArray, scatter_s: float, near_s: float) -> FloatArray:
    """Log odds of absent over heard from the place alone: chance matches lie anywhere, ticks where they are due.

    Parameters
    ----------
    late_s : ndarray, shape (n,)
        How far from the due time each event matched best [s].
    stray_s : ndarray, shape (k,)
        The same elsewhere, where no tick is [s].
    scatter_s : float
        Scatter of the ticks about their due times [s].
    near_s : float
        How far off was looked [s].

    Returns
    -------
    ndarray, shape (n,)
        Log odds [unitless].
    """
    wide = max(robust_spread(stray_s), 1.5 * scatter_s)
    anywhere = max(_ANYWHERE, float(np.mean(np.abs(stray_s) > 4 * wide)))
    core = np.log1p(-anywhere) + _log_t3(late_s / wide) + _LOG_T3_0 - np.log(wide)
    absent = np.logaddexp(core, np.log(anywhere / (2 * near_s)))
    odds: FloatArray = absent - (_log_t3(late_s / scatter_s) + _LOG_T3_0 - np.log(scatter_s))
    return odds


# Log density of Student's t with 3 degrees at 0: 2 / (pi sqrt 3).
_LOG_T3_0 = float(np.log(2 / (np.pi * np.sqrt(3))))


def _log_t3(z: FloatArray) -> FloatArray:
    """Log density of Student's t with 3 degrees over that at 0."""
    density: FloatArray = -2.0 * np.log1p(z**2 / 3.0)
    return density


def two_kinds(
    value: FloatArray,
    around: FloatArray,
    place: FloatArray,
    halves: Halves | None,
    usable: BoolArray,
    *,
    noise: float = 1.0,
) -> Kinds:
    """Tell heard from absent; absent is known from elsewhere, heard is learnt from these.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Match of each event [standard deviations].
    around : ndarray, shape (offsets, k)
        Matches at several distances from the due times, where no tick is [standard deviations].
    place : ndarray, shape (n,)
        Log odds of absent from the place, as from `place_odds` [unitless].
    halves : Halves or None
        Match of both clicks.
    usable : ndarray of bool, shape (n,)
        Events from which may be learnt.
    noise : float
        Spread of a match by the sound behind it alone [standard deviations].

    Returns
    -------
    Kinds
        With the probability of each event.
    """
    # Gumbel's place and scale from the middle and the upper tail; at one or two distances another sound may lie.
    q50, q98 = np.median(np.quantile(around, [0.5, 0.98], axis=1), axis=1)
    chance = _chance(float(q50), float(q98 - q50) / _GUMBEL_50_TO_98)
    middle = 0.5 * (chance.place + np.quantile(value[usable], 0.9))
    p, ticks, prior = _settle(value, chance, place, halves, usable, usable & (value > middle), noise)
    typical = replace(ticks, usual=np.full(around.size, np.median(ticks.usual[usable])))
    absent = _skip_probability(around.ravel(), chance, np.zeros(around.size), None, typical, prior)
    kinds = _made(p, ticks, chance, float(np.mean(absent < 0.5)), usable)
    seen = _chance_seen(value[usable & (p >= 0.5)], chance) if kinds.separation >= _CLEAR else None
    if seen is not None:
        p, _, _ = _settle(value, seen, place, halves, usable, usable & (p < 0.5), noise)
    caution = float(np.interp(kinds.separation, (_CLOSE, _CLEAR), (_CAUTION, _LEAST_CAUTION)))
    return replace(kinds, skip_probability=special.expit(special.logit(p) + caution))


def _chance(middle: float, scale: float, *, wider: float = 1.0) -> Chance:
    """Gumbel's law by its median and its scale, no narrower than chance is."""
    scale = max(scale, _LEAST_SCALE) * wider
    return Chance(place=middle - scale * _GUMBEL_50, scale=scale)


def _chance_seen(missing: FloatArray, chance: Chance) -> ChanceSeen | None:
    """What missing ticks leave at their own place, by the lower half of them; None where that tells no more.

    Weak ticks among them lie in the upper half, and another sound at the place over all chance.
    """
    if len(missing) < _FEWEST_SEEN:
        return None
    q10, q50 = np.quantile(missing, [0.1, 0.5])
    # Few of them may lie closer together than chance does.
    wider = 1 + _FEW_MORE / float(np.sqrt(len(missing)))
    here = _chance(float(q50), float(q50 - q10) / _GUMBEL_10_TO_50, wider=wider)
    highest, usual = (law.place + (_GUMBEL_50 + _GUMBEL_50_TO_98) * law.scale for law in (here, chance))
    return ChanceSeen(here=here, elsewhere=chance) if highest < usual else None


def _settle(
    value: FloatArray,
    absent: Chance | ChanceSeen | OtherSound,
    place: FloatArray,
    halves: Halves | None,
    usable: BoolArray,
    heard: BoolArray,
    noise: float,
) -> tuple[FloatArray, Ticks, float]:
    """Probability of each event, the law of heard ticks and the share of skips, until they agree."""
    prior = 0.05
    elsewhere = absent.elsewhere if isinstance(absent, ChanceSeen) else absent
    blows = max(1.0, elsewhere.scale / (_EVEN_CHANCE * noise)) if isinstance(elsewhere, Chance) else 1.0
    for _ in range(12):
        ticks = Ticks.learnt(value, _local_median(value, heard), heard, noise, blows)
        p = _skip_probability(value, absent, place, halves, ticks, prior)
        prior = float(np.clip(p[usable].mean(), _LEAST_PRIOR, 0.95))
        heard = usable & (p < 0.5)
    return p, ticks, prior


def _made(p: FloatArray, ticks: Ticks, absent: Chance | OtherSound, missed: float, usable: BoolArray) -> Kinds:
    mean1 = float(np.median(ticks.usual[usable]))
    # A threshold at which both kinds err as often; the separation is twice its distance from either.
    thresholds = np.linspace(absent.place, max(mean1, absent.place), 201)
    either = np.minimum(absent.deviate(thresholds), ticks.deviate(thresholds, mean1))
    return Kinds(
        skip_probability=p,
        usual=ticks.usual,
        separation=2 * float(either.max()),
        miss_probability=missed,
        absent_place=absent.place,
        absent_scale=absent.scale,
        heard_mean=mean1,
        heard_sd=ticks.sd,
    )


def _local_median(value: FloatArray, heard: BoolArray) -> FloatArray:
    """Running median of the heard values over 41 events."""
    index = np.flatnonzero(heard)
    if len(index) < 5:
        return np.full(len(value), float(np.median(value[heard])) if heard.any() else float(np.max(value)))
    # Reflected at the ends: one loud sound at the start must not stand for the twenty events before it.
    running = ndimage.median_filter(value[index], size=min(41, len(index)), mode="reflect")
    usual: FloatArray = np.interp(np.arange(len(value)), index, running)
    return usual


def _skip_probability(
    value: FloatArray,
    absent: Chance | ChanceSeen | OtherSound,
    place: FloatArray,
    halves: Halves | None,
    ticks: Ticks,
    prior: float,
) -> FloatArray:
    """Probability that each event was skipped, from its match value and the log odds of its place."""
    usual = ticks.usual
    main = np.log1p(-_FAINT) + ticks.log_density(value)
    low = np.maximum(_FAINTEST * usual, absent.place)
    rising = 2 * np.clip(value - low, 0, None) / np.maximum(usual - low, absent.scale) ** 2
    faint = np.where((value > low) & (value < usual), np.log(_FAINT * np.maximum(rising, 1e-12)), -np.inf)
    heard = np.logaddexp(main, faint)
    gone = absent.log_density(value)
    if halves is not None:
        heard = heard + halves.log_even(value, _HALF_SPREAD)
        chance = np.log1p(-_LOPSIDED) + gone + halves.log_even(value, 0.0)
        met = _LOPSIDED_REACH * usual
        gone = np.logaddexp(chance, np.log(_LOPSIDED / met) - value / met + halves.log_lopsided())
    odds: FloatArray = special.expit(np.log(prior) - np.log1p(-prior) + gone - heard + place)
    return odds


def apart_from_other_sound(
    kinds: Kinds,
    value: FloatArray,
    rows: FloatArray,
    template: FloatArray,
    usable: BoolArray,
    *,
    partner: bool,
    noise: float = 1.0,
) -> Kinds:
    """Where another sound lies at the tick's own place and stays when it is missing, that sound is what is absent.

    Such are a partner's tick in batch injection and a valve that closes at the same moment. Faint ticks of the injector
    are not: their mean has its mean tick's waveform.

    Parameters
    ----------
    kinds : Kinds
        As from `two_kinds`.
    value : ndarray, shape (n,)
        Match of each event [standard deviations].
    rows : ndarray, shape (n, m)
        The sound at each event, aligned with the mean tick [standard deviations].
    template : ndarray, shape (m,)
        Mean tick, unit norm [unitless].
    usable : ndarray of bool, shape (n,)
        Events from which may be learnt.
    partner : bool
        Whether another injector ticks at the same moment.
    noise : float
        Spread of a match by the sound behind it alone [standard deviations].

    Returns
    -------
    Kinds
        The same where no such sound shows.
    """
    edge = _LOW_SHARE * kinds.usual
    for _ in range(_ROUNDS):
        low = usable & (value < edge)
        if low.sum() < _LEAST_GROUP:
            return kinds
        level = float(np.median(value[low]))
        spread = max(robust_spread(value[low] - level), 0.7)
        edge = (level * kinds.heard_sd + kinds.usual * spread) / (kinds.heard_sd + spread)
    over = (level - kinds.absent_place) / max(kinds.absent_scale, 0.5)
    apart = (kinds.heard_mean - level) / np.hypot(spread, kinds.heard_sd)
    if not partner and (over < _GROUP_OVER or _alike(rows[low], template) > _ALIKE):
        return kinds
    if apart < _GROUP_APART:
        # What is low may be the partner alone or a faint tick over it: no more apart than these two.
        return replace(kinds, separation=min(kinds.separation, float(np.sqrt(2)) * apart)) if partner else kinds
    other = OtherSound(place=level, scale=spread)
    p, ticks, _ = _settle(value, other, np.zeros_like(value), None, usable, usable & ~low, noise)
    z = (kinds.heard_mean - level) / (spread + ticks.sd)
    return _made(p, ticks, other, float(special.ndtr(-z)), usable)


def _alike(rows: FloatArray, template: FloatArray) -> float:
    """Cosine of the mean row and a waveform, what averages of noise add to the mean taken out."""
    mean = rows.mean(axis=0)
    noise = float(rows.var(axis=0, ddof=1).sum()) / len(rows)
    along = max(float(mean @ template) ** 2 - noise / len(mean), 0.0)
    across = max(float(mean @ mean) - float(mean @ template) ** 2 - noise * (1 - 1 / len(mean)), 0.0)
    return float(np.sqrt(along / max(along + across, 1e-12)))
