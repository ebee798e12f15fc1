"""A small size of what results.py measures: fails when a ratio of CPU seconds gets 1.5 times worse than it was.

python -m tests.benchmarks.test_ratios      # what the ratios are now; writes them to ratios.json
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.exports import write

HERE = Path(__file__).parent
STORED = HERE / "ratios.json"
TREATMENTS = 1_200  # uses enough that facts are kept
WORSE = 1.5


def ratios(folder: Path) -> dict[str, float]:
    """What a first load and all facts take, as often as a bare load, and five measures, as often as SQL by hand."""
    write(folder, TREATMENTS)
    run = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.tasks", "ratios", str(folder / "before")],
        cwd=HERE.parents[1],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    found: dict[str, float] = json.loads(run.stdout.splitlines()[-1])
    return found


def test_no_ratio_is_much_worse_than_it_was(tmp_path: Path) -> None:
    stored = json.loads(STORED.read_text())
    found = ratios(tmp_path)
    assert found.keys() == stored.keys()
    worse = {name: (found[name], stored[name]) for name in stored if found[name] > WORSE * stored[name]}
    assert not worse, f"now and stored: {worse}; meant so? python -m tests.benchmarks.test_ratios"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        now = ratios(Path(made))
    STORED.write_text(json.dumps({name: round(ratio, 2) for name, ratio in now.items()}, indent=1) + "\n")
    print(STORED.read_text())
