"""Comparison on files: the runs of a run list against each other."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

from recon.base.late import xr
from recon.command_provenance import assume, recorded
from recon.command_report import Name, Report, Say, quiet, written
from recon.records.overwriting import refuse_existing
from recon.report.common.sheet import Pictures


@recorded
def compare(
    runs: Name,
    *,
    metric: str | None = None,
    margin: str | None = None,
    page: Name | None = None,
    out: Name = "comparison",
    overwrite: bool = False,
    say: Say = quiet,
) -> Report:
    """Compare two set-ups by the runs of a run list.

    `metric` decides and is declared beforehand; a comparison without one is refused, with the list
    of metrics.  With `page`, the comparison is also written as one HTML page.
    """
    from recon.analysis.comparison import compare_runs
    from recon.pages.comparison_page import comparison_page
    from recon.pages.page_option import refuse_page_name, write_page_beside
    from recon.records.results import read_result, write_result
    from recon.records.run_list import read_run_list
    from recon.report.comparison.comparison_picture import plot_comparison
    from recon.report.comparison.comparison_summary import comparison_summary

    folder = Path(out)
    refuse_existing(folder / "comparison.nc", overwrite=overwrite)
    refuse_page_name(page, overwrite=overwrite)
    listed = read_run_list(runs)
    assume(listed.assumed)

    def results() -> Iterator[xr.Dataset]:
        for count, file in enumerate(listed.file, 1):
            say(f"run {count} of {len(listed.file)}: {file}")
            yield read_result(file)

    answer = compare_runs(listed, results(), metric=metric, margin=margin)
    draw: Pictures = {"comparison.png": partial(plot_comparison, answer)}
    files = written({"comparison.nc": partial(write_result, answer)}, draw, folder, overwrite)
    # From the file, so that both state one time of writing.
    make = partial(comparison_page, read_result(folder / "comparison.nc"))
    files += write_page_beside(page, make, say, overwrite=overwrite)
    say(f"complete: {folder}")
    refused = answer.attrs["verdict"] == "not comparable"
    return Report(tuple(comparison_summary(answer)), files, "no answer" if refused else "sound")
