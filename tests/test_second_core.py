"""A second process makes calls beside this one; whoever makes them, nothing else differs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from recon.base import second_core as beside
from recon.base.errors import DataError, DataWarning, warn
from recon.base.second_core import due, second_core, warm_up
from recon.records.files import RESULT, existing_file

ROOT = Path(__file__).parents[1]


@pytest.fixture(params=[1, 2], ids=["one core", "two cores"])
def either(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(beside, "cores", lambda: request.param)
    with second_core():
        yield


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(beside, "cores", lambda: 2)
    with second_core():
        yield


def told(*, say: beside.Say) -> str:
    """Say two lines with a note between them."""
    say("first")
    warn("between", DataWarning)
    say("last")
    return "done"


def ended_unless(pid: int) -> int:
    """End the process that makes this call, as one short of memory is, unless it is `pid`."""
    if os.getpid() != pid:
        os.kill(os.getpid(), signal.SIGKILL)
    return pid


@pytest.mark.usefixtures("either")
def test_results_lines_and_notes_come_when_they_are_asked_for() -> None:
    said: list[str] = []
    talk, add = due(told, said.append), due(partial(divmod, 17, 5))
    assert add() == (3, 2)
    with pytest.warns(DataWarning, match="between"):
        assert talk() == "done"
    assert said == ["first", "last"]


@pytest.mark.usefixtures("either")
def test_an_error_is_that_of_the_call() -> None:
    call = due(partial(existing_file, "nowhere.nc", RESULT))
    with pytest.raises(DataError, match=r"nowhere\.nc") as met:
        call()
    assert met.value.exit_code == 2
    assert met.value.do


@pytest.mark.usefixtures("two_cores")
def test_a_call_that_has_not_begun_is_made_here() -> None:
    first, slow, third = due(os.getpid), due(partial(time.sleep, 0.5)), due(os.getpid)
    assert first() != os.getpid()
    assert third() == os.getpid()
    assert slow() is None


@pytest.mark.usefixtures("two_cores")
def test_a_killed_second_process_costs_nothing_but_time() -> None:
    killed, after = due(partial(ended_unless, os.getpid())), due(partial(divmod, 9, 4))
    assert killed() == os.getpid()
    assert after() == (2, 1)
    assert due(os.getpid)() == os.getpid()


@pytest.mark.usefixtures("two_cores")
def test_without_a_process_every_call_is_made_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError

    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", refuse)
    assert due(os.getpid)() == os.getpid()


@pytest.mark.usefixtures("two_cores")
def test_an_import_in_advance_that_fails_is_left_to_the_call_that_needs_it() -> None:
    warm_up("no_such_module_anywhere")
    assert due(partial(divmod, 17, 5))() == (3, 2)


def test_calls_that_nobody_asks_for_are_not_begun(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(beside, "cores", lambda: 2)
    with second_core():
        due(partial(time.sleep, 0.2))
        due((tmp_path / "made").touch)
    assert not (tmp_path / "made").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals of a Unix system")
def test_it_ends_with_a_first_process_that_is_killed() -> None:
    program = """
        import os, time
        from recon.base import second_core as beside
        if __name__ == "__main__":
            beside.cores = lambda: 2
            with beside.second_core():
                print(beside.due(os.getpid)(), flush=True)
                beside.due(os.getpid)
                time.sleep(60)
    """
    words = [sys.executable, "-c", textwrap.dedent(program)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment) as first:
        assert first.stdout is not None
        second = int(first.stdout.readline())
        assert second != first.pid
        first.kill()
    for _ in range(100):
        if not _runs(second):
            return
        time.sleep(0.05)
    pytest.fail(f"process {second} still runs")


def _runs(pid: int) -> bool:
    """Whether a process runs; one that has ended and that nobody waits for does not."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{pid}/stat")
    return not (status.exists() and status.read_text().rpartition(")")[2].split()[0] == "Z")
