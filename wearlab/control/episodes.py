"""From alarms to episodes: what happened to a vehicle, since when, how large it is, and what cannot be told apart yet.

An episode begins at the visit after which the largest |z| over all causes passes the limit. From then on its cause is
named anew after every visit, by the largest |z|, and taken out before anything else is looked for, so that an old
event does not alarm again and does not hide a new one. Half a difference in squared z is the logarithm of how much
better one cause explains the readings than another. Causes of other kinds that come within `NEAR` of the best explain
them about as well: they are named beside it, with the test that would tell. A part's wear does not run backwards: a
rate that turns against that of its family, beyond what its sd leaves open, has odds of a hundred to one against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.control.cause_scores import LEAST_TOLD, CauseScores
from wearlab.control.in_turn import in_turn
from wearlab.control.innovations import Whitened, whitened
from wearlab.control.signatures import KINDS, WEAR, Signatures, signatures
from wearlab.control.usual_rates import usual_rates
from wearlab.language import _, msg
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.scale_fit import ScaleFit

#: Difference in squared z within which another kind of cause explains the readings about as well: odds below 3 to 1.
NEAR = 2.2
#: What a rate that turns against the family's loses in squared z: odds of 100 to 1 against it.
BACKWARDS = 9.2
#: Difference in squared z within which another visit may be the one: 90 % of a chi-squared with 1 degree.
ONSET = 2.706
#: An episode whose cause falls this much below the limit again was not one.
FADED = 1.0
#: Share of its information that a cause must keep once others are taken out, to be told beside them.
LEAST_OWN = 0.1

#: The test that tells two kinds of causes apart.
_TELLING = {
    frozenset(("reading", "step")): msg("read the same part once more"),
    frozenset(("reading", "wear")): msg("read the same part once more"),
    frozenset(("step", "wear")): msg("test the part again after its usual interval"),
    frozenset(("visit", "vehicle")): msg("test the whole set once more, at a noted temperature and pressure"),
    frozenset(("reading", "visit")): msg("read the whole set once more"),
    frozenset(("step", "vehicle")): msg("test the whole set once more"),
    frozenset(("wear", "vehicle")): msg("test the whole set after its usual interval"),
    frozenset(("step", "visit")): msg("test the whole set once more"),
    frozenset(("reading", "vehicle")): msg("read the whole set once more"),
    frozenset(("wear", "visit")): msg("test the whole set once more"),
}


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of an episode. `size` and `sd` are on the working scale, of a rate per working exposure 1.

    `life` is a code of the fit's lives (-1: the whole vehicle), `onset` the place of a reading of its first visit,
    `onset_early`, `onset_late` those of the visits between which it lies with 90 %.
    """

    kind: str
    life: int
    onset: int
    onset_early: int
    onset_late: int
    z: float
    size: float
    sd: float


@dataclass(frozen=True, slots=True)
class Episode:
    """Something that happened to one vehicle. `detected`, `latest` are places of readings of the visits.

    `causes` starts with the best; the others, of other kinds, cannot be told from it yet. `faded`: later visits took it
    back.
    """

    vehicle: int
    detected: int
    latest: int
    causes: tuple[Cause, ...]
    faded: bool


def telling(causes: Sequence[Cause]) -> tuple[str, ...]:
    """Return the tests that would tell the best cause, the first, from the others; none where nothing is open."""
    return tuple(dict.fromkeys(_(_TELLING[frozenset((causes[0].kind, other.kind))]) for other in causes[1:]))


def episodes(fit: ScaleFit, limit: float, picked: Sequence[NDArray[np.intp]] | None = None) -> tuple[Episode, ...]:
    """Return the episodes of a fitted group under a limit on |z|, in the order of blocks and time.

    `picked` are the blocks wanted of each chunk of the fit; None: all.
    """
    life = fit.design.blocks.life
    usual = np.zeros(int(life.max(initial=-1)) + 1)
    usual[life] = usual_rates(fit)[fit.design.data.family]

    def of_chunk(white: Whitened) -> list[Episode]:
        made = signatures(white)
        causes = CauseScores.of(white, made.d)
        past = causes.largest(white.w[:, None])[:, 0] >= limit
        # before a block's first visit past the limit there is nothing to name
        return [
            one
            for b in np.flatnonzero(past.any(axis=1)).tolist()
            for one in _Block.of(white, made, causes, b, usual).episodes(fit, limit, int(np.argmax(past[b])))
        ]

    return tuple(one for found in in_turn(whitened(fit, picked=picked), of_chunk) for one in found)


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """One block: c causes whitened, u (n, c), with w (n,), fixed columns (n, q) and their covariance.

    `own` (n,) is the life of each reading, `life` (c,) that of each cause, `usual` (c,) the rate of its family if it
    changes a rate, else 0.
    """

    u: Floats
    w: Floats
    wx: Floats
    covariance: Floats
    visit: Ints
    rows: Ints
    own: Ints
    kind: Ints
    life: Ints
    onset: Ints
    usual: Floats

    @classmethod
    def of(cls, white: Whitened, made: Signatures, causes: CauseScores, b: int, usual: Floats) -> _Block:
        real = white.visit[b] >= 0
        slot = made.life[b]
        life = np.where(slot >= 0, white.chunk.life[b][np.maximum(slot, 0)], -1)
        return cls(
            u=causes.u[b][real],
            w=white.w[b][real],
            wx=white.wx[b][real],
            covariance=white.covariance[b],
            visit=white.visit[b][real],
            rows=white.rows[b][real],
            own=white.chunk.life[b][np.maximum(white.life[b], 0)][real],
            kind=made.kind,
            life=life,
            onset=made.onset[b],
            usual=np.where(made.kind == WEAR, usual[np.maximum(life, 0)], 0.0),
        )

    def episodes(self, fit: ScaleFit, limit: float, first: int) -> list[Episode]:
        """Go through the visits in order, from the first at which there is something to name."""
        open_: list[list[int]] = []  # cause, visit of detection, 1 once it has faded
        for visit in range(first, int(self.visit.max()) + 1):
            seen = _Seen.of(self, visit)
            for one in open_:
                if not one[2]:
                    z = seen.z([other[0] for other in open_ if other is not one and not other[2]])
                    one[0] = self._best(self._rank(z, seen), one[0])
                    one[2] = int(abs(z[one[0]]) < limit - FADED)
            while True:
                z = seen.z([one[0] for one in open_ if not one[2]])
                if np.abs(z).max() < limit:
                    break
                best = self._best(self._rank(z, seen), -1)
                if abs(z[best]) < limit - FADED:  # nothing else explains it
                    best = int(np.argmax(np.abs(z)))
                open_.append([best, visit, 0])
        told = [self._told(fit, seen, one, open_) for one in open_]
        return [one for one in told if one is not None]

    def _rank(self, z: Floats, seen: _Seen) -> Floats:
        """Return squared z (c,), less where a rate would turn against its family's by more than its sd."""
        known = np.sqrt(np.maximum(seen.information, 0.0))
        backwards = np.sign(self.usual) * z + np.abs(self.usual) * known + 1.0 < 0
        return np.asarray(z**2 - BACKWARDS * backwards, dtype=np.float64)

    def _best(self, rank: Floats, before: int) -> int:
        """Return the cause of the highest rank; of causes that say the same, the simplest, which comes first."""
        best = int(np.argmax(rank > rank.max() - 1e-9))
        return before if before >= 0 and rank[before] > rank[best] - 1e-9 else best

    def _told(self, fit: ScaleFit, seen: _Seen, one: list[int], all_: list[list[int]]) -> Episode | None:
        """Return the episode as it is known after the last visit; None where the others leave nothing of it."""
        cause, detected, faded = one
        z = seen.z([other[0] for other in all_ if other is not one and not other[2]])
        if z[cause] == 0.0:
            return None
        rank = self._rank(z, seen)
        near = rank[cause] - rank < NEAR
        best_of: dict[int, int] = {}
        for k in np.flatnonzero(near & (np.abs(z) > 0)).tolist():
            if self._may_be(k, cause) and (self.kind[k] not in best_of or rank[k] > rank[best_of[self.kind[k]]]):
                best_of[int(self.kind[k])] = k
        best_of[int(self.kind[cause])] = cause
        ranked = sorted(best_of.values(), key=lambda k: (k != cause, -rank[k]))
        causes = tuple(self._cause(z, seen, k) for k in ranked)
        vehicle = int(fit.design.data.vehicle[self._place(int(self.onset[cause]))])
        return Episode(
            vehicle=vehicle,
            detected=self._place(detected),
            latest=self._place(int(self.visit.max())),
            causes=causes,
            faded=bool(faded),
        )

    def _may_be(self, k: int, cause: int) -> bool:
        """Whether a cause is another explanation of the same thing: of the same part, or of the whole vehicle."""
        same_life = self.life[k] == self.life[cause]
        return bool(same_life or self.life[k] < 0 or self.life[cause] < 0)

    def _cause(self, z: Floats, seen: _Seen, k: int) -> Cause:
        alike: NDArray[np.bool_] = (self.kind == self.kind[k]) & (self.life == self.life[k])
        possible = np.flatnonzero(alike & (z[k] ** 2 - z**2 < ONSET) & (np.sign(z) == np.sign(z[k])))
        visits = self.onset[possible]
        sd = 1.0 / float(np.sqrt(max(float(seen.information[k]), 1e-300)))
        return Cause(
            kind=KINDS[int(self.kind[k])],
            life=int(self.life[k]),
            onset=self._place(int(self.onset[k]), int(self.life[k])),
            onset_early=self._place(int(visits.min())),
            onset_late=self._place(int(visits.max())),
            z=float(z[k]),
            size=float(z[k]) * sd,
            sd=sd,
        )

    def _place(self, visit: int, life: int = -1) -> int:
        """Return the place of a reading of a visit, of the life if it was read then."""
        at = np.flatnonzero(self.visit == visit)
        mine = at[self.own[at] == life]
        return int(self.rows[mine[0] if mine.size else at[0]])


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What the visits of a block up to one tell of its causes: u (n, c), side (q, c) = W'u and C W'u (q, c).

    `information` (c,) and `pull` (c,) are each cause's own; `whole` (c,) that over all visits without fixed effects.
    """

    u: Floats
    side: Floats
    lean: Floats
    information: Floats
    pull: Floats
    whole: Floats

    @classmethod
    def of(cls, block: _Block, visit: int) -> _Seen:
        at = block.visit <= visit
        u = block.u[at]
        side = block.wx[at].T @ u
        lean = block.covariance @ side
        information = np.einsum("nc,nc->c", u, u) - np.einsum("qc,qc->c", side, lean)
        return cls(u, side, lean, information, block.w[at] @ u, np.einsum("nc,nc->c", block.u, block.u))

    def z(self, others: list[int]) -> Floats:
        """Return z (c,) of every cause when the others are taken out; 0 where nothing is told of it any more."""
        own, score = self.information, self.pull
        if others:
            both = self.u[:, others].T @ self.u - self.side[:, others].T @ self.lean
            among = both[:, others]
            alone = len(others) == 1 and among[0, 0] > 0  # a division, where the general way takes ten times as long
            share = both / among if alone else np.linalg.pinv(among, hermitian=True) @ both
            own = own - np.einsum("oc,oc->c", both, share)
            score = score - self.pull[others] @ share
        least = LEAST_TOLD * np.maximum(self.whole, 1e-300)
        good = (own > least) & (own >= LEAST_OWN * self.information) & (self.information > 0)
        out: Floats = np.where(good, score / np.sqrt(np.where(good, own, 1.0)), 0.0)
        return out
