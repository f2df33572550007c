"""`page`: a drive as one HTML file, with everything in it that it needs."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recon.base.shipped import packaged_text
from recon.evaluation.sections import find_sections
from recon.pages.envelope import envelopes
from recon.pages.series import Series, series_of
from recon.pages.shown import Shown, shown_answers
from recon.pages.story import facts, lift_list, provenance, section_list, sentences
from recon.pages.why import causes_over_time
from recon.records.forces import require_sound_forces

if TYPE_CHECKING:
    import xarray as xr

    from recon.car.vehicle import Vehicle

SCRIPTS = (*("decode", "state", "draw", "strips", "plane", "car", "why", "story", "keys", "start"),)
STYLE = "page.css"
FORMAT = 1


@dataclass(frozen=True, slots=True)
class Page:
    """One HTML document; a notebook shows it by itself."""

    title: str
    html: str

    def write(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the page, the whole file or none.

        Raises
        ------
        OutputError
            The file exists and `overwrite` is false, or it cannot be written.
        """
        from recon.records.writing import write_whole_text

        return write_whole_text(path, self.html, overwrite=overwrite)

    def _repr_html_(self) -> str:
        """The page in a frame of its own, for notebooks."""
        text = html.escape(self.html, quote=True)
        return f'<iframe srcdoc="{text}" width="100%" height="800" title="drive"></iframe>'


def page(
    forces: xr.Dataset,
    *,
    sections: xr.Dataset | None = None,
    vehicle: Vehicle | None = None,
    answers: Iterable[Shown] | None = None,
) -> Page:
    """A drive as one HTML page: forces with intervals, sections, answers, causes, provenance.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it, or read from `forces.nc`.
    sections : Dataset, optional
        Sections of the drive; they are found if omitted.
    vehicle : Vehicle, optional
        The car, for the answers that need it.
    answers : iterable of Shown, optional
        Answers that were calculated before; they are calculated if omitted.

    Returns
    -------
    Page
        Nothing in it is loaded from elsewhere, and its policy forbids it.  Forces are rounded to
        steps below their noise, which the page states.

    Raises
    ------
    DataError
        `forces` is no result of the reconstruction, or nothing of it is known.
    """
    require_sound_forces(forces)
    found = find_sections(forces) if sections is None else sections
    given = {"sections": found, "vehicle": vehicle}
    shared = {name: value for name, value in given.items() if value is not None}
    shown = list(shown_answers(forces, shared) if answers is None else answers)
    every = list(series_of(forces))
    why = causes_over_time(forces)
    data = {
        "format": FORMAT,
        "title": str(forces.attrs["vehicle"]),
        "corners": [str(c) for c in forces["corner"].to_numpy()],
        "bandwidth": float(forces.attrs["bandwidth_Hz"]),
        "sentences": sentences(forces, why),
        "sections": section_list(found, forces),
        "lifts": lift_list(found),
        "answers": [one.as_data() for one in shown],
        "facts": facts(forces),
        "provenance": provenance(forces),
        "envelopes": envelopes(shown),
        "why": why,
        "series": [_head(n, series) for n, series in enumerate(every)],
    }
    return Page(str(data["title"]), _document(data, every))


def _head(place: int, series: Series) -> dict[str, Any]:
    own = {"name": series.name, "kind": series.kind, "unit": series.unit, "at": place}
    return own | series.packed.head


def _document(data: Mapping[str, Any], every: list[Series]) -> str:
    """The document; its policy allows these scripts and this style, and no request at all."""
    style = _static(STYLE)
    scripts = [_static(f"{name}.js") for name in SCRIPTS]
    allowed = " ".join(_hash(script) for script in scripts)
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src {_hash(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    title = html.escape(str(data["title"]))
    blocks = [
        f'<script type="text/plain" id="series-{n}">{series.packed.text}</script>'
        for n, series in enumerate(every)
    ]
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{title}: tyre forces of a drive</title>",
            f"<style>{style}</style>\n</head>\n<body>",
            _static("body.html"),
            f'<script type="application/json" id="data">{_json(data)}</script>',
            *blocks,
            *(f"<script>{script}</script>" for script in scripts),
            "</body>\n</html>\n",
        ]
    )


def _json(data: Mapping[str, Any]) -> str:
    """The data as JSON that cannot end its element: names may hold tags, quotes or U+2028."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, default=_plain)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return value.item()
    message = f"{type(value).__name__} in a page"
    raise TypeError(message)


def _static(name: str) -> str:
    return packaged_text("recon.pages", "static", name).strip("\n")


def _hash(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{digest}'"
