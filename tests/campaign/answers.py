"""Days that redraw everything: do the intervals of all answers hold?

`python -m tests.campaign.answers FOLDER COUNT [FIRST]` calculates every answer of a slalom, a
launch and a circuit on virtual days of all shipped cars, from the forces as reconstructed and from
the true ones (`closed_forms` has what those do not show).  It writes one line of JSON per day,
drive and metric to FOLDER/answers_FIRST.jsonl; FOLDER keeps the days too, so that the next run
need not drive again.
`python -m tests.campaign.answers FOLDER table [CAR]` prints how often intervals hold the truth,
metric by metric.  Day number n is always the same one; car, calibration, sensors and drives are
drawn anew for each.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from recon.answers import every_answer
from recon.base.errors import ReconError
from recon.base.threads import one_thread
from recon.conditioning.condition import condition
from recon.evaluation.runs.metrics import METRICS, run_values
from recon.evaluation.sections.find_sections import find_sections
from recon.reconstruction.prepare import prepare
from tests.campaign.answer_days import Day, day_of, true_forces
from tests.campaign.closed_braking import braking_in_closed_form
from tests.campaign.closed_forms import in_closed_form
from tests.campaign.closed_transfer import transfer_in_closed_form
from tests.campaign.slip_days import CARS

HALF = 1.96  # standard uncertainties in a half-width
MOST = 60  # samples of a metric that is given along time
# A budget picks its own samples; heights of the centre of mass rest on assumptions that answers
# from true forces share, and an answer to sections is their own.
NOT_COMPARED = ("budget", "sections")
ASSUMED = ("height", "stated_height")


def compared(found: xr.Dataset, true: xr.Dataset) -> Iterator[tuple[str, np.ndarray]]:
    """Metrics that both results have, each with its errors, u and values, (3, quantity)."""
    for name in found:
        if f"u_{name}" not in found or name in ASSUMED or name not in true:
            continue
        if found[name].shape == true[name].shape:
            rows = np.array([v.to_numpy().ravel() for v in
                             (found[name] - true[name].to_numpy(), found[f"u_{name}"], true[name])],
                            dtype=float)  # fmt: skip
            if "elapsed_time" in found[name].dims:
                rows = rows[:, :: max(rows.shape[1] // MOST, 1)]
            if name == "mean_cycle":
                rows[0] = _in_phase(found[name].to_numpy(), true[name].to_numpy()).ravel()
            yield str(name), rows


def _in_phase(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Error of a mean cycle (phase, axle), also where the true one begins on the other side."""
    other = found - np.roll(true, len(true) // 2, axis=0)
    return other if np.std(other) < np.std(found - true) else found - true


def answers_of(day: Day, name: str) -> Iterator[tuple[str, np.ndarray]]:
    """Metrics of all answers of one drive, as `compared` gives them."""
    crew, drive = day.crew, day.drives[name]
    log = condition(drive.log, crew.car, drive.tares)
    forces = prepare(crew.calibrated, crew.car, log).solve(log)
    true = true_forces(forces, drive.truth, crew)
    shared = {"sections": find_sections(forces)}
    both = (every_answer(one, shared) for one in (forces, true))
    for (answer, found), (_, ideal) in zip(*both, strict=True):
        given = isinstance(found, xr.Dataset) and isinstance(ideal, xr.Dataset)
        if given and answer.name not in NOT_COMPARED:
            if answer.name == "load_transfer":
                closed = transfer_in_closed_form(ideal, crew.drawn.truth, name)
            elif answer.name == "braking":
                closed = braking_in_closed_form(ideal, true, shared["sections"], name == "circuit")
            else:
                closed = in_closed_form(ideal, drive.truth, found)
            for metric, rows in compared(found, closed):
                yield f"{answer.name}.{metric}", rows
    yield from run_metrics(forces, true, shared["sections"])


def run_metrics(
    forces: xr.Dataset, ideal: xr.Dataset, sections: xr.Dataset
) -> Iterator[tuple[str, np.ndarray]]:
    """Metrics of a run, as `compared` gives them; `ideal` are the true forces.

    A quarter of the stated weight is the load that a force is read at, even if the car is heavier.
    """
    ideal = ideal.assign(vehicle_mass=forces["vehicle_mass"])
    found, true = (run_values(one, sections) for one in (forces, ideal))
    values = found.estimate.value - true.estimate.value, found.estimate.u, true.estimate.value
    for k, metric in enumerate(METRICS):
        yield f"run.{metric.name}", np.array([v[k : k + 1] for v in values])


def lines_of(number: int, folder: Path) -> Iterator[dict[str, Any]]:
    """Every metric of a day with its errors, u and values, where all three are known."""
    with warnings.catch_warnings(), one_thread():
        warnings.simplefilter("ignore")
        day = day_of(number, folder)
        yield from _lines_of(number, day)


def _lines_of(number: int, day: Day) -> Iterator[dict[str, Any]]:
    for name in day.drives:
        for metric, rows in answers_of(day, name):
            known = rows[:, np.isfinite(rows).all(axis=0) & (rows[:2] != 0).any(axis=0)]
            if known.size:
                error, u, value = ([float(f"{x:.5g}") for x in row] for row in known)
                yield {"day": number, "car": CARS[number % len(CARS)], "drive": name,
                       "metric": metric, "error": error, "u": u, "value": value}  # fmt: skip


def table(lines: Iterable[dict[str, Any]]) -> str:
    """For each metric: quantities, days, share inside, bias and rms of error over u, and width.

    Limits of the share are Wilson's for as many trials as the scatter between days is worth; those
    of the half-width over the rms error hold that scatter too.
    """
    by_metric: dict[str, dict[int, list[np.ndarray]]] = defaultdict(lambda: defaultdict(list))
    for line in lines:
        rows = np.array([line["error"], line["u"]])
        by_metric[line["metric"]][line["day"]].append(rows)
    out = [
        f"{'metric':46s} days     n  inside    95 % limits  mean z  rms z  "
        "half-width / rms   95 % limits"
    ]
    for metric, days in sorted(by_metric.items()):
        each = [np.concatenate(rows, axis=1) for rows in days.values()]
        error, u = np.concatenate(each, axis=1)
        z = error[u > 0] / u[u > 0]
        share, low, high = _share([np.abs(e) <= HALF * s for e, s in each])
        ratio, least, most = _width(each)
        out.append(
            f"{metric:46s} {len(each):4d} {u.size:5d}  {share:5.1%}  {low:5.1%} {high:6.1%}"
            f"  {np.mean(z):+6.2f} {np.sqrt(np.mean(z**2)):6.2f} {ratio:8.2f}"
            f"        {least:6.2f} {most:8.2f}"
        )
    return "\n".join(out)


def _width(days: list[np.ndarray]) -> tuple[float, float, float]:
    """Half-width over rms error with its 95 % limits, from error and u (2, quantity) of all days.

    Few days hold few large errors, and a ratio of 8 on 14 days may be one of 2 on 35.
    """
    squares = np.array([np.sum(np.square(one), axis=1) for one in days])
    total = squares.sum(axis=0)
    if not total[0]:
        return np.inf, 0.0, np.inf
    # Of the logarithm, by the share of each day in both sums (delta method).
    u = 0.5 * np.linalg.norm(squares[:, 1] / total[1] - squares[:, 0] / total[0])
    ratio = HALF * np.sqrt(total[1] / total[0])
    return float(ratio), float(ratio * np.exp(-HALF * u)), float(ratio * np.exp(HALF * u))


def _share(inside: list[np.ndarray]) -> tuple[float, float, float]:
    """Share inside with its 95 % limits, from masks of all days, which are the independent ones."""
    share, count = float(np.mean(np.concatenate(inside))), sum(map(len, inside))
    own = np.array([np.sum(one - share) for one in inside])
    p = np.clip(share, 0.5 / count, 1 - 0.5 / count)
    trials = np.clip(p * (1 - p) * count**2 / max(np.sum(own**2), 1e-12), 1, count)
    middle = (share + HALF**2 / (2 * trials)) / (1 + HALF**2 / trials)
    half = HALF * np.sqrt(share * (1 - share) / trials + (HALF / (2 * trials)) ** 2)
    half = half / (1 + HALF**2 / trials)
    return share, float(middle - half), float(middle + half)


def main(folder: Path, count: int, first: int = 0) -> int:
    """Judge days and print the table."""
    folder.mkdir(exist_ok=True, parents=True)
    start, found = time.process_time(), []
    with (folder / f"answers_{first}.jsonl").open("w") as file:
        for number in range(first, first + count):
            try:
                lines = list(lines_of(number, folder))
            except ReconError as error:
                sys.stdout.write(f"day {number}: {error}\n")
                continue
            found += lines
            file.writelines(json.dumps(line) + "\n" for line in lines)
            file.flush()
    sys.stdout.write(f"{table(found)}\n{count} days, {time.process_time() - start:.0f} s\n")
    return 0


def print_table(folder: Path, car: str = "") -> int:
    """Print the table of everything in the folder, or of one car."""
    lines = [json.loads(line) for path in sorted(folder.glob("answers_*.jsonl"))
             for line in path.read_text().splitlines()]  # fmt: skip
    sys.stdout.write(table(one for one in lines if car in ("", one["car"])) + "\n")
    return 0


if __name__ == "__main__":
    place, mode, *others = sys.argv[1:]
    if mode == "table":
        sys.exit(print_table(Path(place), *others))
    sys.exit(main(Path(place), int(mode), *map(int, others)))
