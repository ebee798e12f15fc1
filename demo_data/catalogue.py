"""The steps of the shipped sequence catalogue (canalwise.toml), as the generator follows them."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import polars as pl


def catalogue() -> pl.DataFrame:
    """The steps of the shipped catalogue, one row each."""
    text = files("demo_data").joinpath("canalwise.toml").read_text(encoding="utf-8")
    steps = [
        {
            "sequence": sequence["id"],
            "irrigant_asked": sequence["irrigant_ml"],
            "catalogue_step": step["step"],
            **{
                name: step.get(name)
                for name in ("size", "taper", "length_mm", "motion", "depth_share", "torque_ncm", "use_limit")
            },
            "slowest": float(step["speed_rpm"][0]) if "speed_rpm" in step else None,
            "fastest": float(step["speed_rpm"][1]) if "speed_rpm" in step else None,
        }
        for sequence in tomllib.loads(text)["sequence"]
        for step in sequence["step"]
    ]
    return pl.DataFrame(steps, infer_schema_length=None)
