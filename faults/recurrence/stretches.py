"""Connected stretches of a path: which of them a scan looks at.

A path's cells are its splices and segments, linked where they touch. Looked at are *runs*, the
cells on the shortest way between two cells, and *surroundings*, all cells within so many links of
one. On a straight path that is every connected stretch; on a branching one there are too many to
look at all, and these follow how water, digging and age lie along a cable.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import shortest_path

from faults.recurrence.checked import Flags, Floats, RecurrenceError, Wholes, checked_share


@dataclass(frozen=True, slots=True)
class StretchParams:
    """``most_share``: of a path's cells that a stretch may hold. ``most_cells``: however long the
    path, no longer stretch is looked at."""

    most_share: float = 0.5
    most_cells: int = 60

    def __post_init__(self) -> None:
        checked_share(self.most_share, "most_share")
        if self.most_cells < 1:
            raise RecurrenceError("most_cells: expected at least 1")


@dataclass(frozen=True, slots=True)
class Stretches:
    """``members``: a row for each stretch, a column for each cell, 1 where it belongs to it."""

    members: csr_array

    def cells(self, stretch: int) -> tuple[int, ...]:
        """The cells of a stretch, in rising order."""
        row = self.members[[stretch]]
        return tuple(sorted(int(cell) for cell in row.indices))


def connected_stretches(
    cells: int, links: ArrayLike, params: StretchParams | None = None
) -> Stretches:
    """The runs and surroundings of a path, each once.

    cells: how many; links: pairs of cell numbers, shape (links, 2). O(cells² × longest stretch).

    Raises RecurrenceError for a link to no cell.
    """
    params = params or StretchParams()
    most = min(max(1, int(params.most_share * cells)), params.most_cells)
    hops, before = _ways(cells, links)
    seen: set[bytes] = set()
    rows: list[Wholes] = []
    for source in range(cells):
        for members in _from(source, hops[source], before[source], most):
            for row in members:
                packed = np.packbits(row).tobytes()
                if packed not in seen:
                    seen.add(packed)
                    rows.append(np.flatnonzero(row))
    lengths = np.array([len(row) for row in rows], dtype=np.int64)
    ends = np.concatenate([[0], np.cumsum(lengths)])
    columns = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    return Stretches(csr_array((np.ones(len(columns)), columns, ends), shape=(len(rows), cells)))


def _ways(cells: int, links: ArrayLike) -> tuple[Floats, Wholes]:
    """Links between any two cells, and the cell before the last on the way."""
    pairs = np.asarray(links, dtype=np.int64).reshape(-1, 2)
    if np.any((pairs < 0) | (pairs >= cells)):
        raise RecurrenceError("links: expected numbers of cells")
    pairs = np.unique(np.sort(pairs, axis=1), axis=0)
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(cells, cells))
    hops, before = shortest_path(
        graph.tocsr(), directed=False, unweighted=True, return_predecessors=True
    )
    return hops, before.astype(np.int64)


def _from(source: int, hops: Floats, before: Wholes, most: int) -> Iterator[Flags]:
    """Runs from a cell to those with higher numbers, then its surroundings, as rows."""
    cells = len(hops)
    run = np.zeros((cells, cells), dtype=np.bool_)
    run[source, source] = True
    reach = 1
    while reach < most:
        at = np.flatnonzero(hops == reach)
        if not len(at):
            break
        run[at] = run[before[at]]
        run[at, at] = True
        reach += 1
    ends = np.flatnonzero((hops < most) & (np.arange(cells) >= source))
    yield run[ends]
    widths = np.arange(1, most)
    around = hops[None, :] <= widths[:, None]
    size = around.sum(axis=1)
    growing = np.diff(size, prepend=1) > 0
    yield around[growing & (size <= most)]
