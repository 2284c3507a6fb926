"""Random sessions of two people against the gate; ``benchmarks/gate_sessions.py`` runs two hundred."""

from __future__ import annotations

from pathlib import Path

from gate_sessions import project_to_try, run_sessions

SESSIONS = 5


def test_no_session_leaves_what_the_audit_faults(tmp_path: Path) -> None:
    start = project_to_try(tmp_path / "start")
    done, refused = run_sessions(start, tmp_path, count=SESSIONS, seed=17)
    # the sessions are worth something: plenty went through, and plenty was refused
    assert done > SESSIONS * 2
    assert refused > SESSIONS * 2
