"""Two ways that met: drawn, merged while they were together, and parted again."""

import numpy as np
import pytest

from dsp.history.meetings import Heard, parted
from dsp.history.range_filters import Scan
from dsp.history.tracking import tracks_of

INTERVAL_S, RESOLUTION_M, NOISE_M = 0.1, 0.02, 0.001

Hit = tuple[int, int]
"""A scan, and which echo of it."""


def parted_hits(
    tracks: list[list[Hit]], scans: list[Scan]
) -> tuple[list[list[Hit]], set[Hit], list[bool]]:
    """The same as `parted`, hits told by scan and echo on both sides."""
    names = [(i, j) for i, s in enumerate(scans) for j in range(s.range_m.size)]
    row = {name: k for k, name in enumerate(names)}
    echoes = [s.range_m.size for s in scans]
    heard = Heard(
        scan=np.repeat(np.arange(len(scans)), echoes),
        time_s=np.repeat([s.time_s for s in scans], echoes),
        range_m=np.concatenate([s.range_m for s in scans]),
        noise_m=np.concatenate([s.noise_m for s in scans]),
    )
    rows = [np.array([row[hit] for hit in hits]) for hits in tracks]
    found, merged, unsure = parted(rows, heard, RESOLUTION_M)
    return [[names[k] for k in hits] for hits in found], {names[k] for k in merged}, unsure


def heard_together(
    ways_m: np.ndarray, *, rng: np.random.Generator, noise_m: float = NOISE_M
) -> tuple[list[Scan], list[list[Hit]]]:
    """Scans of two ways, shape (2, pings), and each one's own hits.

    Where they stand within a resolution one echo is heard, somewhere between them: at the
    place of the stronger, drawn anew, and it is the first one's hit.
    """
    scans, own = [], [list[Hit](), list[Hit]()]
    for i, (one, two) in enumerate(ways_m.T):
        places = np.array([one, two])
        if abs(one - two) < RESOLUTION_M:
            places = np.array([one + rng.uniform() * (two - one)])
        for which in range(places.size):
            own[which].append((i, which))
        scans.append(
            Scan(
                time_s=i * INTERVAL_S,
                range_m=places + noise_m * rng.standard_normal(places.size),
                noise_m=np.full(places.size, noise_m),
            )
        )
    return scans, own


def crossing_m(rng: np.random.Generator, pings: int = 60) -> np.ndarray:
    """Two arches, or an arch and a streak, that cross in range well within the record.

    At the crossing they part by a tenth to a half of a resolution a ping.
    """
    k = np.arange(pings) * INTERVAL_S
    while True:
        closest_m, speed_m_s = rng.uniform(0.6, 1.5, 2), rng.uniform(0.1, 0.5, 2)
        speed_m_s[1] *= rng.uniform() > 0.3
        nearest_s = rng.uniform(0.1, 0.9, 2) * k[-1]
        ways_m = np.hypot(closest_m[:, None], speed_m_s[:, None] * (k - nearest_s[:, None]))
        apart = np.diff(ways_m, axis=0)[0] / RESOLUTION_M
        met = np.flatnonzero(np.diff(np.sign(apart)))
        close = np.flatnonzero(np.abs(apart) < 1)
        if met.size != 1 or not close.size or close.size != np.ptp(close) + 1:
            continue
        step = abs(apart[met[0] + 1] - apart[met[0]])
        if close[0] > 15 and close[-1] < pings - 15 and 0.1 < step < 0.5:
            return ways_m


def swapped(hits: list[list[Hit]], scan: int) -> list[list[Hit]]:
    """The same two tracks, each leaving a scan as the other."""
    a, b = hits
    return [
        [h for h in one if h[0] <= scan] + [h for h in other if h[0] > scan]
        for one, other in ((a, b), (b, a))
    ]


@pytest.mark.parametrize("is_swapped", [False, True])
def test_each_target_goes_on_as_itself(is_swapped: bool) -> None:
    for seed in range(40):
        rng = np.random.default_rng((1, seed))
        ways_m = crossing_m(rng)
        scans, own = heard_together(ways_m, rng=rng)
        met = int(np.argmin(np.abs(np.diff(ways_m, axis=0)[0])))
        given = swapped(own, met) if is_swapped else own
        found, _, unsure = parted_hits(given, scans)
        # 15 or more hits of 1 mm on each side of ways that part by 2 mm a ping or more: what
        # is straight for one is bent for the other by centimetres.
        assert unsure == [False, False]
        for hits, right in zip(found, own, strict=True):
            assert set(hits) <= set(right)
            assert len(hits) >= 30


def test_the_echo_of_two_targets_in_one_is_neither_s() -> None:
    rng = np.random.default_rng(2)
    ways_m = crossing_m(rng)
    scans, own = heard_together(ways_m, rng=rng)
    found, merged, _ = parted_hits(own, scans)
    assert merged == {(i, 0) for i, scan in enumerate(scans) if scan.range_m.size == 1}
    assert not merged & {hit for hits in found for hit in hits}


def test_where_noise_hides_which_went_on_where_nobody_can_say() -> None:
    # Ways that part by 2.5 mm a ping, twenty pings on each side, in noise of 50 mm.
    k = np.arange(40) - 19.5
    ways_m = 1.0 + np.array([[0.00125], [-0.00125]]) * k * 8
    scans, own = heard_together(ways_m, rng=np.random.default_rng(3), noise_m=1e-4)
    vague = [
        Scan(time_s=s.time_s, range_m=s.range_m, noise_m=np.full(s.range_m.size, 0.5))
        for s in scans
    ]
    _, _, unsure = parted_hits(own, vague)
    assert unsure == [True, True]
    _, _, unsure = parted_hits(own, scans)
    assert unsure == [False, False]


def test_tracks_that_never_meet_are_left_as_they_are() -> None:
    ways_m = np.array([np.full(30, 1.0), np.full(30, 1.0 + 3 * RESOLUTION_M)])
    scans, own = heard_together(ways_m, rng=np.random.default_rng(4))
    assert parted_hits(own, scans) == (own, set(), [False, False])
    assert parted_hits([], scans) == ([], set(), [])


def strange_share(track_m: np.ndarray, scan: np.ndarray, ways_m: np.ndarray) -> float:
    """Share of a track's clear hits that are the target's which has fewer of them."""
    apart_m = np.abs(ways_m[0] - ways_m[1])[scan]
    nearer = np.abs(track_m - ways_m[:, scan]).argmin(axis=0)[apart_m > 2 * RESOLUTION_M]
    return min(np.mean(nearer == 0), np.mean(nearer == 1)) if nearer.size else 0.0


def test_tracks_through_a_crossing_are_hardly_ever_two_targets_in_one() -> None:
    wrong = 0
    for seed in range(100):
        rng = np.random.default_rng((5, seed))
        ways_m = crossing_m(rng)
        scans, _ = heard_together(ways_m, rng=rng)
        found = tracks_of(scans, resolution_m=RESOLUTION_M, interval_s=INTERVAL_S)
        shares = [
            strange_share(
                np.array([scans[i].range_m[j] for i, j in zip(t.scan, t.echo, strict=True)]),
                t.scan,
                ways_m,
            )
            for t in found
            if not t.unsure
        ]
        wrong += max(shares, default=0.0) > 0.1
    # A filter that only goes forward leaves with the wrong one in 23 of 100 such scenes; what
    # is left are tracks that end in the meeting. Measured on 300 others: 8 of 100, which a
    # hundred tell to 2.7; three times that.
    assert wrong <= 16
