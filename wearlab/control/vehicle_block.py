"""The readings of one vehicle (and of those it exchanged parts with) out of a fit, to be counted anew.

`VehicleBlock` holds what all other readings say of the fixed effects, so that some of this vehicle's readings may be
left out, freed or added to without being counted twice; `law` gives the covariance of the readings and of true levels
that were not read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from wearlab.control.contrast import Floats, without
from wearlab.errors import InputError
from wearlab.wear.blocks import Chunk, Ints
from wearlab.wear.covariance import PATH, REPEAT, Readings, covariance, signal, structure
from wearlab.wear.design import Problem
from wearlab.wear.mixture import Solution
from wearlab.wear.scale_fit import ScaleFit


@dataclass(frozen=True, slots=True, eq=False)
class VehicleBlock:
    """The n measured readings of the block that a vehicle belongs to, in the order of visits.

    `rows` (n,) are their places in the data, `columns` (n, p) their fixed effects, `chunk` the block alone;
    `information` (p, p) and `score` (p,) are what the readings of all other blocks and the priors say.
    """

    rows: Ints
    chunk: Chunk
    columns: Floats
    information: Floats
    score: Floats

    @classmethod
    def of(cls, fit: ScaleFit, solution: Solution, vehicle: int) -> VehicleBlock:
        """Return the block of a vehicle's code.

        Raises
        ------
        InputError
            The vehicle has no reading in this group.
        """
        work, design = fit.estimate.work, fit.design
        for number, chunk in enumerate(design.blocks.chunks):
            found = np.flatnonzero((chunk.vehicle == vehicle).any(axis=1))
            if not found.size:
                continue
            b = int(found[0])
            own = fit.estimate.local[number]
            here = chunk.rows[b]
            place = np.flatnonzero((here < design.n) & (np.append(design.data.bound, 1)[here] == 0))
            columns = np.zeros((place.size, design.p + 1))
            # padding of the local columns goes to the last one
            columns[:, own.columns[b]] = own.design(design.values(), *chunk.rows.shape)[b][place]
            only = replace(
                chunk,
                rows=here[None, place],
                life=chunk.life[b : b + 1],
                last=chunk.last[b : b + 1],
                vehicle=chunk.vehicle[b : b + 1],
                share=None if chunk.share is None else chunk.share[b : b + 1, place],
                here=None if chunk.here is None else chunk.here[b : b + 1, place],
            )
            rows = here[place].astype(np.int64)
            information: Floats = np.asarray(np.linalg.pinv(solution.covariance, hermitian=True), dtype=np.float64)
            block = cls(rows, only, columns[:, :-1], information, information @ solution.beta)
            k, _ = block.law(design, solution.theta, work.doubt[rows])
            rest, score = without(block.information, block.score, k, block.columns, work.y[rows])
            return replace(block, information=rest, score=score)
        raise InputError("the vehicle has no reading in this group")

    def law(
        self, design: Problem, theta: Floats, doubt: Floats, added: Sequence[tuple[int, float]] = ()
    ) -> tuple[Floats, Floats]:
        """Return the covariance (n, n) of the readings and that (n + k, n + k) of the true levels.

        `doubt` (n,) is variance added to readings. `added` are k levels that were not read, each as the place of a
        reading and a working exposure: the level of that reading's part there.
        """
        n, k = self.rows.size, len(added)
        pick = np.r_[np.arange(n), [at for at, _ in added]].astype(np.int64)
        rows = self.rows[pick]
        x, gathered = design.x[rows].copy(), design.gathered[rows].copy()
        wanted = np.array([exposure for _, exposure in added])
        gathered[n:] += wanted - x[n:]
        old = x[n:].copy()
        x[n:] = wanted
        readings = Readings(
            x=np.append(x, 0.0),
            gathered=np.append(gathered, 0.0),
            start=np.append(design.start[rows], 0.0),
            known=np.r_[design.known[self.rows] + doubt, np.zeros(k + 1)],
            shared=np.append(design.shared[rows], 0.0),
            life_slot=np.append(design.blocks.life_slot[rows], -1),
            visit_slot=np.append(design.blocks.visit_slot[rows], -1),
            any_start=bool(design.start.any()),
            any_shared=bool(design.shared.any()),
        )
        share = here = None
        if self.chunk.share is not None and self.chunk.here is not None:
            share, here = self.chunk.share[:, pick], self.chunk.here[:, pick]
            moved = share[0, n:] * old[:, None] + here[0, n:] * (wanted - old)[:, None]
            share[0, n:] = moved / np.where(wanted > 0, wanted, 1.0)[:, None]
        chunk = replace(self.chunk, rows=np.arange(n + k)[None], share=share, here=here)
        s = structure(chunk, readings, path=theta[PATH] > 0, repeat=theta[REPEAT] > 0)
        return covariance(s, theta)[0, :n, :n], signal(s, theta)[0]
