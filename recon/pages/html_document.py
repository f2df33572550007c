"""One HTML document with everything in it that it needs, and a policy that forbids all else."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from recon.base.shipped import packaged_text

ENDINGS = (".html", ".htm")  # by which a browser knows a page
FRAME = 800  # px, height of a page in a notebook


@dataclass(frozen=True, slots=True)
class Page:
    """One HTML document; a notebook shows it by itself."""

    title: str
    html: str = field(repr=False)  # millions of characters

    def write(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the page, the whole file or none.

        Raises
        ------
        OutputError
            The name does not end `.html` or `.htm`, the file exists and `overwrite` is false, or
            it cannot be written.
        """
        from recon.records.files import require_ending
        from recon.records.table_writing import write_whole_text

        require_ending(Path(path), *ENDINGS)
        return write_whole_text(path, self.html, overwrite=overwrite)

    def _repr_html_(self) -> str:
        """The page in a frame of its own, for notebooks."""
        text, title = (html.escape(words, quote=True) for words in (self.html, self.title))
        size = f'width="100%" height="{FRAME}" style="border: 1px solid #a9bac6"'
        return f'<iframe srcdoc="{text}" {size} title="{title}"></iframe>'


@dataclass(frozen=True, slots=True)
class Parts:
    """Files of `pages/static` that make a kind of page: body, scripts in order, style sheets."""

    body: str
    scripts: tuple[str, ...]
    styles: tuple[str, ...] = ("page.css",)


def document(title: str, parts: Parts, data: Mapping[str, Any], series: Iterable[str] = ()) -> Page:
    """A page from its parts and its data; long series are kept apart, as packed text.

    Its policy allows these scripts and this style, and no request at all.
    """
    style = "\n".join(_static(name) for name in parts.styles)
    scripts = [_static(f"{name}.js") for name in parts.scripts]
    allowed = " ".join(_hash(script) for script in scripts)
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src {_hash(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    blocks = [
        f'<script type="text/plain" id="series-{n}">{text}</script>'
        for n, text in enumerate(series)
    ]
    text = "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{html.escape(title)}</title>",
            f"<style>{style}</style>\n</head>\n<body>",
            _static(parts.body),
            f'<script type="application/json" id="data">{_json(data)}</script>',
            *blocks,
            *(f"<script>{script}</script>" for script in scripts),
            "</body>\n</html>\n",
        ]
    )
    return Page(title, text)


def _json(data: Mapping[str, Any]) -> str:
    """The data as JSON that cannot end its element: names may hold tags, quotes or U+2028."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, default=_plain)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def known_number(value: float, digits: int | None = None) -> float | None:
    """A number as the data of a page hold it, to some digits: None where it is not known."""
    if not np.isfinite(value):
        return None
    return float(value) if digits is None else round(float(value), digits)


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
