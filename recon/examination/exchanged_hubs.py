"""Hub accelerations whose names are exchanged: each moves as the travel of another wheel does.

Exchanged travels look the same.  Short means of two hubs are much alike, but each wheel rises over
its own bumps.  The second derivative of the difference of two travels is the difference of both
hubs' upward accelerations where the road moves the wheels and the body stays behind.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import Doubt
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COMPONENTS
from recon.base.words import enumerated
from recon.records.corrections import correction_line, lines_to_add

# Hz, in which wheels follow the road and travels are no noise yet.  As a body rolls, its wheels
# travel and hardly rise.
BAND = (6.0, 15.0)
TOP = 0.3  # of the sampling rate, the most that a second difference shows
MOST = 200_000  # samples that are compared, from the middle of a drive: cars wait before it
OPPOSITE = -0.5  # correlation; it is 0.7 or more on sound drives
LOGGED = 0.9  # of the samples; channels that are logged less say nothing
LIVELY = 0.3  # m/s2 (rms), below which both channels are noise


def exchanged_hubs(log: xr.Dataset, others: tuple[Doubt, ...]) -> tuple[Doubt, ...]:
    """A doubt about the two hubs whose accelerations go against their travels, if any.

    `log` (elapsed_time, gauge) as `condition` returns it.  Where one of the `others` is about
    travels or hubs, it explains the same.
    """
    explained = any(c.startswith(("travel", "hub")) for doubt in others for c in doubt.channels)
    if explained or not _both_logged(log):
        return ()
    found = {pair: r for pair, r in correlations(log).items() if r < OPPOSITE}
    if not found:
        return ()
    first, second = min(found, key=lambda pair: found[pair])
    elapsed = log["elapsed_time"].to_numpy()
    hubs, travels = (
        (f"{name}_{first}", f"{name}_{second}") for name in ("hub_acceleration", "travel")
    )
    do, probability = "Compare the plugs of both accelerometers.", 1.0
    # Exchanged travels of one axle would roll the car the wrong way, which has been looked for.
    if first[0] != second[0]:
        probability = 0.5
        do = (
            "Compare the plugs of both accelerometers and of both travel sensors. Two causes fit "
            f"equally well: exchanged ({enumerated(hubs)}) or exchanged ({enumerated(travels)}). "
            "If it was the accelerometers:"
        )
    lines = [
        correction_line(
            [f"hub_acceleration_{first}_{axis}"], exchanged_with=f"hub_acceleration_{second}_{axis}"
        )
        for axis in COMPONENTS
    ]
    return (
        Doubt(
            corners=(first, second),
            cause="exchanged",
            channels=hubs,
            probability=probability,
            start=float(elapsed[0]),
            end=float(elapsed[-1]),
            found=f"Where the wheel of {first} rises against that of {second}, the acceleration of "
            f"its hub says the opposite (correlation {found[first, second]:.2f}, about 1 on sound "
            "drives).",
            do=f"{do}\n{lines_to_add(('log',), lines)}",
        ),
    )


def correlations(log: xr.Dataset) -> dict[tuple[str, str], float]:
    """Correlation [1] of both accelerations of each pair of wheels that moves enough."""
    from scipy.signal import butter, sosfiltfilt

    first = max(log.sizes["elapsed_time"] - MOST, 0) // 2
    log = log.isel(elapsed_time=slice(first, first + MOST))
    elapsed = log["elapsed_time"].to_numpy()
    rate = (len(elapsed) - 1) / (elapsed[-1] - elapsed[0])
    band = (BAND[0], min(BAND[1], TOP * rate))
    if len(elapsed) < 10 * rate / BAND[0] or band[1] < 2 * BAND[0]:
        return {}
    passed = butter(2, band, btype="band", fs=rate, output="sos")

    def shown(values: Floats) -> list[Floats]:
        """Part of each wheel's values (sample, corner) that lies in the band."""
        level = np.nan_to_num(values - np.nanmean(values, axis=0)).T
        return [np.asarray(sosfiltfilt(passed, own)) for own in level]

    travel = log["travel"].to_numpy()
    upward = log["hub_acceleration"].sel(component="z").to_numpy()
    known = np.isfinite(travel) & np.isfinite(upward)
    some = np.flatnonzero(known.mean(axis=0) >= LOGGED)
    travel, upward, known = travel[:, some], upward[:, some], known[:, some]
    sound = np.nanmean(upward, axis=0) >= 0  # or turned over
    risen = [np.gradient(np.gradient(own)) * rate**2 for own in shown(travel)]
    felt, names, out = shown(upward), corner_names(log), {}
    for i, j in combinations(np.flatnonzero(sound), 2):
        both = known[:, i] & known[:, j]
        rises, feels = (risen[i] - risen[j])[both], (felt[i] - felt[j])[both]
        if min(np.std(rises), np.std(feels)) > LIVELY:
            out[names[some[i]], names[some[j]]] = float(np.corrcoef(rises, feels)[0, 1])
    return out


def _both_logged(log: xr.Dataset) -> bool:
    """Whether travel and hub acceleration are channels of the log, and neither was inferred."""
    names = ("travel", "hub_acceleration")
    return all(name in log.variables and f"u_{name}" not in log.variables for name in names)
