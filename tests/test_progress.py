"""Lines of progress, where there is no terminal."""

from __future__ import annotations

from standage import progress


def test_time_left_is_told_once_it_can_be(monkeypatch, capsys):
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    with progress.progress_on_screen() as show:
        for seconds, share in ((0, 0.0), (30, 0.001), (15, 0.25), (15, 1.0)):
            now[0] += seconds
            show(share, "sampling")
    assert capsys.readouterr().err.splitlines() == [
        "sampling: 0% done",
        "sampling: 25% done, about 135 s left",
    ]
