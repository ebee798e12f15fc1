"""What needs attention first: rules that turn results into sentences, each with its figure and where to read more.

A rule states what the figures show and no more; which of them matters is the reader's to judge. One module a subject;
the order in which subjects are told is one for all pages.
"""

from __future__ import annotations

from collections.abc import Iterable

from reports.attention import corrections as corrections
from reports.attention import data as data
from reports.attention import differences as differences
from reports.attention import incidents as incidents
from reports.attention import instruments as instruments
from reports.attention import recall as recall
from reports.attention import separations as separations
from reports.attention import signals as signals
from reports.attention import standards as standards
from reports.attention import treatments as treatments
from reports.blocks import Sentence

NOTHING = Sentence(
    "Nothing needs attention: no figure of this page stands out from what was usual, and no data are missing."
)

Said = Iterable[Sentence | None]


def collect(
    *,
    harm: Said = (),
    signals: Said = (),
    standards: Said = (),
    recall: Said = (),
    instruments: Said = (),
    differences: Said = (),
    data: Said = (),
) -> tuple[Sentence, ...]:
    """The sentences that there are, each once, the most important first; `NOTHING` when there are none.

    First what concerns the safety of patients, then what changed, what the practice set itself, who waits to be seen,
    what is used up, what differs, and last what the data lack: a reader who stops early has read what matters most.
    """
    kept: dict[str, Sentence] = {}
    for said in (harm, signals, standards, recall, instruments, differences, data):
        for sentence in said:
            if sentence is not None:
                kept.setdefault(sentence.whole, sentence)
    return tuple(kept.values()) or (NOTHING,)
