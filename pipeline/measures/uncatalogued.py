"""Sequences that the records name and the catalogue in the settings does not: what to write there.

The entry is drafted from the records: the instruments that most of a sequence's canals have at each step. What the
practice asks for beyond that (path, irrigant, depths, speeds, limits) is its own decision and left open.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from pipeline.facts.prepare import make

if TYPE_CHECKING:
    from pipeline.measures.run import Workspace

_MOST_STEPS = 12


def to_write(workspace: Workspace) -> str:
    """What to write into the settings for the most used sequence that is not there; "" where none is lacking."""
    make(workspace.connection, ["canal_facts"])
    found = workspace.connection.execute(
        """select f.sequence, count(*) as canals from canal_facts as f
           left join catalogue_sequences as s on s.sequence = f.sequence
           where f.sequence is not null and s.sequence is null group by all order by canals desc, f.sequence"""
    ).fetchall()
    if not found:
        return ""
    name, canals = found[0]
    others = f"; {len(found) - 1} more: {', '.join(str(other) for other, _ in found[1:6])}" if len(found) > 1 else ""
    others += " ..." if len(found) > 6 else ""
    lines = [
        f"The catalogue in the settings has no sequence “{name}” ({canals} canals{others}). So that records can be",
        "held against it, write what the practice asks for; these steps are those that most of its canals record:",
        "",
        "[[sequence]]",
        f"id = {_quoted(name)}",
        "# if asked for: glide_path_size, irrigant_ml, length_confirmed_before_step, apical_gauging",
    ]
    for step, (size, taper, motion) in enumerate(_steps(workspace, name), start=1):
        lines += ["[[sequence.step]]", f"step = {step}", f"size = {size}", f"taper = {taper:g}", f'motion = "{motion}"']
    lines.append("# of a step also: depth_share, speed_rpm = [lowest, highest], torque_ncm, use_limit")
    lines.append("(`canalwise init` writes a whole example.)")
    return "\n".join(lines)


def _steps(workspace: Workspace, sequence: str) -> list[tuple[int, float, str]]:
    """The instrument that most canals of the sequence have at each of the steps that at least half of them have."""
    return workspace.connection.execute(
        f"""with uses as (
                select u.practice, u.treatment_id, u.canal, u.step, u.size, u.taper, u.motion
                from instrument_uses as u
                inner join canal_facts as f
                    on f.practice = u.practice and f.treatment_id = u.treatment_id and f.canal = u.canal
                where f.sequence = ?),
            canals as (select count(*) as n from (select distinct practice, treatment_id, canal from uses)),
            taken as (
                select step, size, taper, motion, count(*) as n, sum(count(*)) over (partition by step) as at_step
                from uses group by step, size, taper, motion)
            select size, taper, motion from taken
            where at_step * 2 >= (select n from canals)
                and motion in ('hand', 'rotation', 'reciprocation')
                and size between 6 and 140 and taper between 0 and 0.2
            qualify row_number() over (partition by step order by n desc, size, taper, motion) = 1
            order by step limit {_MOST_STEPS}""",
        [sequence],
    ).fetchall()


def _quoted(text: str) -> str:
    """As TOML writes it; JSON's escapes are TOML's as well."""
    return json.dumps(text, ensure_ascii=False)
