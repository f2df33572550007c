"""Link loads on the command line."""

from __future__ import annotations

import numpy as np

from recon.analysis.link_loads import NO_CLEARANCE
from recon.records.results import read_result
from tests.commands.session import CAR, OneCorner, Run


def test_link_loads_of_one_corner(run: Run, one_corner: OneCorner, tmp_path) -> None:
    ended = run("link-loads", one_corner.forces, "--vehicle", CAR, "--out", tmp_path / "links")
    assert ended.code == 0, ended.err
    lines = [line for line in ended.out.splitlines() if line and not line.startswith("written")]
    assert lines[0].startswith("Link loads: largest FL ")
    assert all(NO_CLEARANCE in line for line in lines if not line.startswith("  /"))
    found = read_result(tmp_path / "links" / "link_loads.nc")
    assert np.isfinite(found["u_peak_load"]).all()
    assert found.sizes["link"] == 6
    table = tmp_path / "links.csv"
    assert run("export", tmp_path / "links" / "link_loads.nc", "--out", table).code == 0
    head, first = table.read_text(encoding="utf-8").splitlines()[:2]
    assert head.startswith("quantity,link,direction,")
    assert head.endswith(",unit,value,u,lower,upper,words")
    assert first.startswith("peak_load,FL upper_front,tension,")


def test_without_the_vehicle_file_the_command_says_what_to_name(
    run: Run, one_corner: OneCorner, tmp_path
) -> None:
    ended = run("link-loads", one_corner.forces, "--out", tmp_path / "links")
    assert ended.code == 2
    assert "no vehicle file; need the vehicle file of 'Invented club racer'" in ended.err
    assert "Name it with --vehicle" in ended.err
