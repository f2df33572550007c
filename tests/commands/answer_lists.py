"""The lists of answers in README and DEVELOPERS, made from the table of answers.

`python -m tests.commands.answer_lists` writes them into both pages.
"""

from __future__ import annotations

import re
from pathlib import Path

from recon.answers import ANSWERS

ROOT = Path(__file__).parents[2]


def lists() -> dict[str, str]:
    """The list that stands in each page, between its two markers."""
    commands = [
        f"| `recon {a.command}` | `recon.{a.compute}` | `recon.{a.plot}` | {a.help} |"
        for a in ANSWERS
    ]
    files = [
        row
        for a in ANSWERS
        for row in (
            f"| `analysis/{a.name}.py` | Calculates {a.help}. |",
            f"| `report/answers/{a.name}.py` | Words and picture of this answer. |",
        )
    ]
    heads = {
        "README.md": "| command | in Python | picture | answer |\n| --- | --- | --- | --- |\n",
        "DEVELOPERS.md": "| file | what it does |\n| --- | --- |\n",
    }
    rows = {"README.md": commands, "DEVELOPERS.md": files}
    return {page: head + "\n".join(rows[page]) + "\n" for page, head in heads.items()}


MARKED = re.compile(r"(?s)(<!-- answers -->\n).*?(<!-- end of answers -->\n)")


def with_list(page: str, text: str) -> str:
    """The text of a page with its list as the table of answers wants it."""
    new, count = MARKED.subn(lambda m: m[1] + lists()[page] + m[2], text)
    assert count == 1, f"{page}: one list between the two markers, not {count}"
    return new


if __name__ == "__main__":
    for page in lists():
        file = ROOT / page
        file.write_text(with_list(page, file.read_text(encoding="utf-8")), encoding="utf-8")
