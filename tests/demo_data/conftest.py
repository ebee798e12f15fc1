"""The invented practice, made once: as large as the demo, and once larger for the shares."""

from __future__ import annotations

import pytest

from demo_data.generate import Made, Practice, generate, practice


@pytest.fixture(scope="session")
def demo_practice() -> Practice:
    return practice()


@pytest.fixture(scope="session")
def large_practice() -> Practice:
    return practice(seed=101, treatments=12_000)


@pytest.fixture(scope="session")
def demo_exports(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return generate(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="session")
def sound_exports(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return generate(tmp_path_factory.mktemp("sound"), faults=False)
