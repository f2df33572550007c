"""Solvers of assemblies that are kept: most slips leave most assemblies as they were."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import recon.reconstruction.prepare as preparing

MOST = 60  # solvers that are kept
_KEPT: dict[bytes, tuple[Any, Any]] = {}


@contextmanager
def remembered() -> Iterator[None]:
    """Keep solvers of assemblies whose session has not changed; nothing else differs."""
    made = preparing.solver_of

    def again(car: Any, assembly: Any, calibration: Any, session: Any, attitude: Any) -> Any:
        key = pickle.dumps((assembly.name, id(car), calibration, session, attitude))
        if key not in _KEPT:
            while len(_KEPT) >= MOST:
                del _KEPT[next(iter(_KEPT))]
            # The car too, so that its id stays its own.
            _KEPT[key] = car, made(car, assembly, calibration, session, attitude)
        return _KEPT[key][1]

    preparing.solver_of = again
    try:
        yield
    finally:
        preparing.solver_of = made
