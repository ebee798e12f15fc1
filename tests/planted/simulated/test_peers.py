"""Where dentists do not differ, CUSUMs and funnels say so as often as they promise; where one does, it is told.

A small run is always made. The full one is marked slow and makes tables of the guide (tests/tables.py):

    python -m pytest -n 0 -m slow -s tests/planted/simulated/test_peers.py

Limits allow for chance: a share is turned down only where one of 5 in 100 would be so far off once in a thousand runs.
"""

from __future__ import annotations

import os

import pytest
from scipy import stats

from tests.tables import publish

from .peers import alarms, practices

SERIES = int(os.environ.get("SIMULATED_SERIES", "300"))
OTHERS, OWN = (30, 60, 150, 400, 1000), (20, 60, 200)
FUNNELS = {
    "healed teeth, six dentists of 60 to 250 teeth": (0.2, 6, (60, 250), "share"),
    "healed teeth, fifteen of 40 to 150": (0.2, 15, (40, 150), "share"),
    "healed teeth, two of 30 to 60": (0.2, 2, (30, 60), "share"),
    "separations, six dentists of 300 to 900 canals": (0.02, 6, (300, 900), "rate"),
    "separations, three of 60 to 150": (0.03, 3, (60, 150), "rate"),
}


def most(of: int, promised: float = 0.05) -> float:
    """The largest share of so many that one promised passes once in a thousand."""
    return float(stats.binom.ppf(0.999, of, promised)) / of


@pytest.mark.parametrize(("others", "own"), [(60, 60), (400, 60)])
def test_a_series_of_usual_teeth_seldom_passes_its_limits(others: int, own: int) -> None:
    found = alarms(others, own, 0.2, 1.0, 100, power=False, known=False, runs=400)
    assert found.told > 0.6
    assert found.false <= most(int(100 * found.told)), found


@pytest.mark.slow
def test_limits_that_take_the_risks_as_known_did_not_keep_the_promise() -> None:
    """What the issue found: a fifth of all series passed a limit that 5 in 100 were to pass."""
    found = alarms(60, 200, 0.2, 1.0, 150, power=False, runs=300)
    assert found.known_risks > most(150) >= found.false, found


@pytest.mark.parametrize("name", ["healed teeth, six dentists of 60 to 250 teeth", "separations, three of 60 to 150"])
def test_after_case_mix_few_lie_outside_by_chance(name: str) -> None:
    rate, dentists, sizes, kind = FUNNELS[name]
    found = practices(60, rate, 1.0, dentists, sizes, kind)
    assert found.outside_95 <= most(found.dentists)
    assert found.outside_998 <= most(found.dentists, 0.002)
    assert found.held >= 1 - most(found.dentists)
    if kind == "share":
        assert found.crude > 1.5 * found.outside_95, "unlike cases put dentists outside the crude funnel"


@pytest.mark.slow
@pytest.mark.parametrize(("rate", "alike"), [(0.2, 0.0), (0.2, 1.0), (0.03, 0.0), (0.03, 1.0)])
def test_false_alarms_and_power_of_cusums(rate: float, alike: float) -> None:
    """Limits that take the risks as known are shown beside: they do not keep the promise."""
    lines, wrong = [], []
    for others in OTHERS:
        for own in OWN:
            found = alarms(others, own, rate, alike, SERIES)
            shares = (found.told, found.false, found.up, found.down, found.doubled, found.halved, found.known_risks)
            told, false, up, down, twice, half, known = (f"{100 * x:.1f} %" for x in shares)
            cells = (false, f"{up}, {down}", f"{twice}, {half}", known) if found.told else ("silent", "-", "-", "-")
            lines.append((f"{others:,}", own, told, *cells))
            series = int(SERIES * found.told)
            # Of all series, silent ones too, and of those told where that is most of them.
            if found.false * found.told > most(SERIES) or (found.told >= 0.5 and found.false > most(series)):
                wrong.append((others, own, found))
    columns = (
        "others",
        "own teeth",
        "told",
        "false alarms",
        "more, fewer",
        "twice, half the odds found",
        "risks as known",
    )
    says = f"the event in {100 * rate:g} of 100 teeth, a patient's teeth alike (SD {alike:g})"
    name = "cusums" if (rate, alike) == (0.2, 1.0) else None  # the others are told of in a sentence of the page
    drawn, seeds = f"{SERIES} series a line", "one seed a line"
    publish(name, f"CUSUMs where nobody differs: {says}", columns, lines, drawn=drawn, seeds=seeds)
    assert wrong == []


@pytest.mark.slow
def test_dentists_who_do_not_differ_lie_outside_as_seldom_as_promised() -> None:
    lines, all_found = [], []
    for name, (rate, dentists, sizes, kind) in FUNNELS.items():
        for alike in (0.0, 1.0):
            found = practices(200, rate, alike, dentists, sizes, kind)
            shares = (found.crude, found.outside_95, found.outside_998, found.held)
            lines.append((name, f"{alike:g}", *(f"{100 * x:.1f} %" for x in shares)))
            all_found.append(found)
    outside = ("crude outside 95 %", "adjusted outside 95 %", "outside 99.8 %", "interval holds 1")
    title = "Funnels by dentist where nobody differs but in the teeth that come"
    columns, drawn = ("dentists", "patients' SD", *outside), "200 practices a line"
    publish("funnels", title, columns, lines, drawn=drawn, seeds="one seed a line")
    for found in all_found:
        assert found.outside_95 <= most(found.dentists)
        assert found.held >= 1 - most(found.dentists)
