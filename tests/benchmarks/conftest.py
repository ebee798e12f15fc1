"""Benchmarks run only when asked for: `pytest -n 0 -m benchmark -s`."""

import pytest


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if "benchmark" in config.option.markexpr:
        return
    asked, left = [], []
    for item in items:
        (left if item.get_closest_marker("benchmark") else asked).append(item)
    if left:
        config.hook.pytest_deselected(items=left)
        items[:] = asked
