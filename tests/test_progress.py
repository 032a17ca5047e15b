"""The progress bar: on a terminal only, whole, and gone in the end."""

from __future__ import annotations

import io
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from fanstats.progress import progress


class Terminal(io.StringIO):
    """Standard error that says it is a terminal."""

    def isatty(self):
        return True


def set_terminal(monkeypatch):
    """Within the test itself: capturing sets standard error anew after fixtures have run."""
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    return stream


def test_it_is_silent_where_standard_error_is_no_terminal(capsys):
    """A log, a pipe or a notebook sees nothing, on either stream."""
    with progress(3, "drawing", delay=0) as step:
        for _ in range(3):
            step()

    assert tuple(capsys.readouterr()) == ("", "")


def test_silence_costs_no_import():
    """Without a terminal the bar's library is not even loaded."""
    code = (
        "import sys\n"
        "from fanstats.progress import progress\n"
        "with progress(1, 'x') as step: step()\n"
        "assert 'tqdm' not in sys.modules\n"
    )

    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (ran.returncode, ran.stderr) == (0, "")


def test_no_standard_error_at_all_is_no_terminal(monkeypatch):
    """Programs without a console have none; closed ones are none either."""
    for stream in (None, io.StringIO()):
        if stream is not None:
            stream.close()
        monkeypatch.setattr(sys, "stderr", stream)
        with progress(1, "drawing", delay=0) as step:
            step()


def test_a_terminal_sees_what_is_done_and_how_far(monkeypatch):
    """The words, the count and the total stand in the bar."""
    terminal = set_terminal(monkeypatch)
    with progress(4, "drawing", delay=0) as step:
        step(3)
        terminal.flush()
        step(1)

    said = terminal.getvalue()
    assert "drawing" in said
    assert "/4" in said


@pytest.mark.parametrize("fails", [False, True])
def test_the_bar_is_wiped_when_the_work_ends_or_fails(monkeypatch, fails):
    """The last line is blank and the cursor back at its start; the error passes through."""
    terminal = set_terminal(monkeypatch)

    def work():
        with progress(2, "drawing", delay=0) as step:
            step()
            if fails:
                raise KeyboardInterrupt

    if fails:
        with pytest.raises(KeyboardInterrupt):
            work()
    else:
        work()

    last = terminal.getvalue().split("\r")
    assert last[-1] == ""
    assert last[-2].strip() == ""


def test_short_work_shows_nothing_even_on_a_terminal(monkeypatch):
    """Nothing flashes up for work that is done before the delay is over."""
    terminal = set_terminal(monkeypatch)
    with progress(2, "drawing") as step:
        step()
        step()

    assert "drawing" not in terminal.getvalue()


def test_steps_of_several_threads_are_all_counted(monkeypatch):
    """A bar that reads its count, lets others run, and writes it back loses no part."""
    import tqdm

    class Slow(tqdm.tqdm):
        def update(self, n=1):
            before = self.n
            time.sleep(1e-4)
            self.n = before + n
            counts.append(self.n)

    counts = []
    set_terminal(monkeypatch)
    monkeypatch.setattr(tqdm, "tqdm", Slow)
    with progress(200, "drawing", delay=0) as step, ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: step(), range(200)))

    assert max(counts) == 200
