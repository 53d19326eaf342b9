"""What holds for every test: no skip passes under CI, long tests only when asked for."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]
# Test files may share a name; the modules beside them that help may not, and are found by it.
sys.path[:0] = sorted({str(path.parent) for path in (ROOT / "tests").rglob("*.py")})

UNDER_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")

# Examples that differ from run to run find more at a desk; under CI a failure must be repeatable.
settings.register_profile("desk", deadline=None)
settings.register_profile(
    "ci", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("ci" if UNDER_CI else "desk")

# Marker -> whether its tests are asked for. The others are left out by name, not skipped.
_ASKED_FOR = {
    "long": bool(os.environ.get("FENCEMAP_LONG")),
    "open_data": bool(os.environ.get("FENCEMAP_OPEN_DATA")),
}
_left_out = pytest.StashKey[dict[str, int]]()


@pytest.fixture(scope="session")
def root() -> Path:
    """Folder of the checkout."""
    return ROOT


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests that need time or data nobody has given."""
    left: dict[str, int] = {}
    kept, dropped = [], []
    for item in items:
        unasked = [
            name
            for name, asked in _ASKED_FOR.items()
            if not asked and item.get_closest_marker(name)
        ]
        for name in unasked[:1]:
            left[name] = left.get(name, 0) + 1
        (dropped if unasked else kept).append(item)
    config.stash[_left_out] = left
    if dropped:
        config.hook.pytest_deselected(items=dropped)
        items[:] = kept


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say which tests were left out."""
    for name, count in terminalreporter.config.stash.get(_left_out, {}).items():
        terminalreporter.write_line(
            f"left out: {count} tests marked '{name}' (see `pytest --markers`)"
        )


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    """Under CI, turn a skipped test into a failed one."""
    report = yield
    return _no_skip(report, item.nodeid)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector):
    """Under CI, turn a skipped file into a failed one."""
    report = yield
    return _no_skip(report, collector.nodeid)


def _no_skip(report, name: str):
    if UNDER_CI and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.outcome = "failed"
        report.longrepr = f"{name} was skipped, and with CI=true nothing may be: {reason}"
    return report
