"""What of a softness the lens gets and what the objects, where both are drawn from what is assumed."""

from __future__ import annotations

import numpy as np
import pytest

from auditor import optics
from auditor.measure.sharpness import softness
from auditor.measure.sharpness.softness import FrameLens, Softness, parted
from auditor.record import ZONES

PITCH_UM = 4.0


def _limit(f_number: float) -> float:
    return float(np.log(optics.mtf50(f_number, PITCH_UM)))


def _drawn(mixture: softness.Mixture, rng: np.random.Generator) -> float:
    shares, scales = np.array(mixture).T
    return float(rng.exponential(scales[rng.choice(len(scales), p=shares / shares.sum())]))


def _ends(limit: float, *lacks: float, error: float = 0.03) -> dict[str, softness.End]:
    """Sharp ends of centre, middle and corner that lack so much (px^2) to a perfect lens."""
    return {
        name: (-0.5 * float(np.log(np.exp(-2 * limit) + lack)), error)
        for name, lack in zip(ZONES, lacks, strict=True)
    }


def _values(limit: float, ends: dict[str, softness.End], share: float = 1.0) -> dict[str, float]:
    lens = FrameLens(Softness(share, limit), ends)
    return {name: lens.value(end, name)[0] for name, end in ends.items()}


@pytest.mark.parametrize(("first", "second"), [(2.0, 9.0), (30.0, 4.0)])
def test_a_sum_of_two_exponentials_is_parted_as_in_the_textbook(
    first: float, second: float
) -> None:
    """The sum has the hypoexponential density (exp(-x/a) - exp(-x/b)) / (a - b); given the sum s, the
    first is an exponential of rate 1/a - 1/b cut off at s (Ross, Introduction to Probability Models)."""
    base = 1e4
    chance, mean, variance = parted(((1.0, first),), ((1.0, second),), base)
    at = softness.LACKS
    width = np.gradient(at)
    density = (np.exp(-at / first) - np.exp(-at / second)) / (first - second)
    inside = (at > 2) & (at < 100)
    assert chance[inside] / width[inside] == pytest.approx(density[inside], rel=0.03)
    rate = 1 / first - 1 / second
    told = 1 / rate - at[inside] / np.expm1(rate * at[inside])
    assert mean[inside] == pytest.approx(told, rel=0.01)
    # Small beside the base, a lack's spread is twice that of ln MTF50, over the base.
    spread = 2 * (base + told) * np.sqrt(variance[inside])
    assert (spread < at[inside] / 2).all()
    uniform = at[inside] / np.sqrt(12)
    assert spread[at[inside] < 4] == pytest.approx(uniform[at[inside] < 4], rel=0.1)


@pytest.mark.parametrize("f_number", [2.8, 8.0, 22.0])
def test_lenses_and_objects_as_assumed_are_told_within_the_errors_stated(f_number: float) -> None:
    """Frames drawn from the very assumptions: what they make likely must come out true as often as
    stated, and true on average, which no slip in the algebra would leave standing."""
    limit = _limit(f_number)
    rng = np.random.default_rng(int(f_number * 10))
    fading = min(8.1 / (np.exp(-2 * limit) - 2.75), 8.0)
    axis = (*softness.AXIS, (softness.AXIS_ABERRATION[0], softness.AXIS_ABERRATION[1] * fading))
    off, held, stated = [], [], []
    frames = 2000
    for _ in range(frames):
        shared = _drawn(softness.OBJECTS, rng)
        lens = np.full(3, _drawn(axis, rng))
        lens[1:] += [_drawn(softness.OUTER, rng) for _ in range(2)]
        own = np.array([_drawn(softness.OBJECTS_OF_ZONE, rng) for _ in range(3)])
        if (lens + shared + own).max() > 250:
            continue
        ends = {
            name: (value + 0.04 * float(rng.standard_normal()), 0.04)
            for name, (value, _) in _ends(limit, *(lens + shared + own)).items()
        }
        told = FrameLens(Softness(1.0, limit), ends)
        for (name, end), true in zip(ends.items(), lens, strict=True):
            value, stderr = told.value(end, name)
            off.append(value + 0.5 * np.log(np.exp(-2 * limit) + true))
            held.append(abs(off[-1]) < 2 * stderr)
            stated.append(stderr)
    # Four standard errors of the mean, a frame's three zones counted as one: 0.024 at f/2.8, where
    # taking logarithms of means instead of means of logarithms was 0.05 off.
    assert abs(np.mean(off)) < 4 * np.std(off) / np.sqrt(frames)
    assert np.mean(held) > 0.93
    # Errors twice as large would pass that as well: they are no larger than twice what is off.
    assert np.mean(stated) < 2 * np.std(off)


def test_true_steps_are_left_as_seen() -> None:
    limit = _limit(8.0)
    ends = _ends(limit, 12.0, 15.0, 40.0)
    assert _values(limit, ends, share=0.0) == {n: value for n, (value, _) in ends.items()}


@pytest.mark.parametrize("limit", [_limit(2.8), _limit(22.0), np.inf])
def test_what_is_seen_sharper_never_reads_softer(limit: float) -> None:
    base = _limit(2.8) if np.isinf(limit) else limit
    for share in (0.3, 1.0):
        last = np.inf
        for lack in (0.0, 2.0, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0):
            value = _values(limit, _ends(base, lack, lack, lack), share)["centre"]
            assert value < last + 1e-9
            last = value


def test_what_a_zone_shows_by_itself_assumes_nothing_of_lenses() -> None:
    """Seven px^2 of soft objects are taken off, no more and no less however soft the rest."""
    limit = _limit(8.0)
    soft = Softness(1.0, limit)
    for lack in (10.0, 20.0, 40.0, 80.0):
        value, stderr = soft.own(_ends(limit, lack, lack, lack)["centre"])
        assert np.exp(-2 * value) - np.exp(-2 * limit) == pytest.approx(lack - 7.0, abs=0.02)
        assert stderr > 0.1
    assert soft.own((limit - 0.05, 0.03))[0] == pytest.approx(limit, abs=1e-9)
    assert Softness(0.0, limit).own((-1.5, 0.03)) == (-1.5, 0.03)
    bare = Softness(1.0).own((np.log(0.5), 0.03))[0]
    assert np.log(0.5) <= bare <= np.log(0.603)


def test_softness_that_only_one_zone_shows_is_not_the_centres_lens() -> None:
    """A centre softer than the corners lacks focus or detail: no lens is (common practice)."""
    limit = _limit(5.6)
    alone = _values(limit, _ends(limit, 20.0, 20.0, 20.0))["centre"]
    beside = _values(limit, _ends(limit, 20.0, 3.0, 3.0))["centre"]
    assert beside > alone + 0.1
    assert beside == pytest.approx(limit, abs=0.15)


def test_a_corner_may_be_weak_where_the_centre_is_sharp() -> None:
    limit = _limit(2.8)
    values = _values(limit, _ends(limit, 1.0, 5.0, 60.0))
    assert values["corner"] < values["middle"] - 0.3
    assert values["centre"] == pytest.approx(limit, abs=0.12)


def test_no_zone_is_needed_and_nothing_is_beyond_optics() -> None:
    limit = _limit(11.0)
    lens = FrameLens(Softness(1.0, limit), {})
    for lack in (0.0, 3.0, 300.0):
        value, stderr = lens.value(_ends(limit, lack, 0, 0)["centre"], "centre")
        assert value <= limit
        assert 0.02 < stderr < 0.6
    seen_beyond = (limit + 0.2, 0.05)
    assert lens.value(seen_beyond, "centre")[0] == seen_beyond[0]
