"""Spells in which something holds, on the simulator's own step."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.simulate.run import DT_S


def spells(on: npt.NDArray[np.bool_], bridge_s: float = 0.0) -> list[tuple[int, int]]:
    """Spells of True as (first, past last), joined over breaks of up to ``bridge_s``."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    pairs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    out: list[tuple[int, int]] = []
    for first, last in pairs:
        if out and (first - out[-1][1]) * DT_S <= bridge_s:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out
