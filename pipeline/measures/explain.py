"""A measure in plain words: what it is, what it needs, where it comes from, and a worked example."""

from __future__ import annotations

from textwrap import dedent, fill

from pipeline.measures.catalogue import Measure


def explained(measure: Measure) -> str:
    """The text of `canalwise explain NAME`."""
    parts = [
        f"{measure.title}  [{measure.name}]",
        f"Unit: {measure.unit}   Kind: {measure.kind}",
        "",
        _wrapped(measure.definition),
    ]
    if measure.numerator:
        parts += ["", f"Numerator:   {measure.numerator}", f"Denominator: {measure.denominator}"]
    parts += ["", _wrapped(measure.caption), "", _wrapped("Source: " + measure.source)]
    needs = [f"{kind}" + (f" ({', '.join(columns)})" if columns else "") for kind, columns in measure.needs.items()]
    if measure.needs_one_of:
        needs.append(" or ".join(measure.needs_one_of))
    if needs:
        parts += ["", _wrapped("Needs: " + "; ".join(needs))]
    if measure.groups:
        parts += ["", _wrapped("Can be grouped by: " + ", ".join(measure.groups))]
    for figure in measure.published:
        interval = f" ({figure.low:g} to {figure.high:g})" if figure.low is not None and figure.high is not None else ""
        n = f", n = {figure.n:,}" if figure.n else ""
        parts += [
            "",
            _wrapped(
                f"Published, as context and not as a target: {figure.value:g}{interval}{n}, {figure.population}. "
                f"{figure.source}. What differs: {figure.differs}"
            ),
        ]
    for example in measure.example:
        parts += ["", _wrapped("Worked example: " + example.says + ".")]
        for kind, text in example.given.items():
            parts += [f"  given {kind}:", _indented(text)]
        by = f" by {', '.join(example.by)}" if example.by else ""
        parts += [f"  the figure{by}:", _indented(example.expect)]
    return "\n".join(parts)


def _wrapped(text: str) -> str:
    return fill(" ".join(text.split()), width=96)


def _indented(text: str) -> str:
    return "\n".join("    " + line for line in dedent(text).strip().splitlines())
