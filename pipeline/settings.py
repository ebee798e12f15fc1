"""The practice's own settings: canalwise.toml, checked by pydantic. Units are in the field names or beside them."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.errors import UserError

Positive = Annotated[float, Field(gt=0)]
Size = Annotated[int, Field(ge=6, le=140)]  # ISO 3630-1 size: tip diameter in hundredths of a millimetre


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Step(_Strict):
    """One step of a sequence: which instrument, how deep, how fast."""

    step: Annotated[int, Field(ge=1)]
    purpose: str = ""
    size: Size
    taper: Annotated[float, Field(ge=0, le=0.2)]  # mm per mm
    length_mm: Positive | None = None
    motion: Literal["hand", "rotation", "reciprocation", "mixed", "ultrasonic", "other"]
    depth_share: Annotated[float, Field(gt=0, le=1)] | None = None  # of working length
    speed_rpm: tuple[Positive, Positive] | None = None
    torque_ncm: Positive | None = None
    use_limit: Annotated[int, Field(ge=1)] | None = None


class Indication(_Strict):
    """For which canals a sequence is meant."""

    largest_curvature_deg: Annotated[float, Field(ge=0, le=120)] | None = None
    first_binding_size: tuple[Size, Size] | None = None


class Sequence(_Strict):
    """An entry of the practice's own sequence catalogue."""

    id: str
    title: str = ""
    glide_path_size: Size | None = None
    irrigant_ml: Positive | None = None
    length_confirmed_before_step: Annotated[int, Field(ge=1)] | None = None
    apical_gauging: bool = False
    indication: Indication = Indication()
    step: tuple[Step, ...] = ()

    @field_validator("step")
    @classmethod
    def _each_step_once(cls, value: tuple[Step, ...]) -> tuple[Step, ...]:
        numbers = [step.step for step in value]
        twice = sorted({n for n in numbers if numbers.count(n) > 1})
        if twice:
            raise ValueError(f"there are two steps {twice[0]}: number the steps in their order")
        return value


class Standard(_Strict):
    """What the practice means to reach with a measure (clinical audit: criterion and standard)."""

    measure: Annotated[str, Field(min_length=1)]  # looked up in the catalogue of measures only when it is computed
    target: float  # in the measure's unit; a share as a number from 0 to 1
    direction: Literal["at least", "at most"] = "at least"
    since: dt.date | None = None  # the last audit: records from this day on are held against the standard
    note: str = ""  # what the lead means to do


class Answer(_Strict):
    """What was found when a CUSUM's signal was looked into: from `on` the group's sum starts again at 0."""

    measure: Literal["healed_share", "separations_per_100_teeth"]  # those that have a CUSUM
    group: Literal["dentist", "sequence"]
    value: Annotated[str, Field(min_length=1)]  # which dentist or sequence, as the records name it
    on: dt.date  # teeth from this day on count anew
    note: Annotated[str, Field(min_length=1)]  # what was found


class Reporting(_Strict):
    """How figures are reported."""

    smallest_group: Annotated[int, Field(ge=1)] = 5
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    healed_after_months: Annotated[int, Field(ge=1)] = 12
    recall_window_months: tuple[Annotated[int, Field(ge=0)], Annotated[int, Field(ge=1)]] = (9, 18)
    comparison_window_months: tuple[Annotated[int, Field(ge=0)], Annotated[int, Field(ge=1)]] = (12, 24)

    @field_validator("comparison_window_months")
    @classmethod
    def _some_months(cls, value: tuple[int, int]) -> tuple[int, int]:
        if not value[0] < value[1]:
            raise ValueError(f"the window begins before it ends, as in [12, 24], not [{value[0]}, {value[1]}]")
        return value


class Settings(_Strict):
    """Everything a practice says of itself; a practice without a settings file gets these defaults."""

    practice: Annotated[str, Field(min_length=1)] = "practice"  # as pages name it
    practice_id: Annotated[str, Field(min_length=1)] | None = None  # as records are kept: it never changes
    time_zone: str = "UTC"
    currency: str = "EUR"
    sterilisation_cost: Annotated[float, Field(ge=0)] = 0.0  # per cycle, in the practice's currency
    reporting: Reporting = Reporting()
    sequence: tuple[Sequence, ...] = ()
    standard: tuple[Standard, ...] = ()
    answer: tuple[Answer, ...] = ()

    @property
    def id(self) -> str:
        """What stands for the practice in keys and pseudonyms; its name where no id was given."""
        return self.practice_id or self.practice

    @property
    def sequences(self) -> tuple[Sequence, ...]:
        return self.sequence

    @property
    def standards(self) -> tuple[Standard, ...]:
        return self.standard

    @property
    def answers(self) -> tuple[Answer, ...]:
        return self.answer

    @field_validator("answer")
    @classmethod
    def _each_answer_once(cls, value: tuple[Answer, ...]) -> tuple[Answer, ...]:
        told = [(answer.measure, answer.group, answer.value, answer.on) for answer in value]
        twice = next((one for one in told if told.count(one) > 1), None)
        if twice:
            raise ValueError(f"there are two answers of {twice[0]}, {twice[1]} {twice[2]}, on {twice[3]}")
        return value

    @field_validator("sequence")
    @classmethod
    def _each_sequence_once(cls, value: tuple[Sequence, ...]) -> tuple[Sequence, ...]:
        ids = [sequence.id for sequence in value]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"there are two sequences {twice[0]}: every id stands once in the catalogue")
        return value

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError) as e:
            raise ValueError("is no time zone name such as Europe/Warsaw") from e
        return value


def read_toml(path: Path, what: str) -> dict[str, object]:
    """Read a TOML file or say in one line why it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise UserError(f"no such {what}", where=str(path), do="Check the path") from None
    except OSError as e:
        raise UserError(f"the {what} cannot be read ({e.strerror})", where=str(path)) from None
    except UnicodeDecodeError as e:
        what = f"the {what} is not UTF-8 text (byte {e.start})"
        raise UserError(what, where=str(path), do="Save it as UTF-8") from None
    except tomllib.TOMLDecodeError as e:
        raise UserError(f"the {what} is not valid TOML: {e}", where=str(path), do="Mend that line") from None


def first_problem(error: ValidationError) -> str:
    """The first complaint of pydantic as plain words: which entry, what is wrong, how many more."""
    problems = error.errors(include_url=False, include_context=False)
    first = problems[0]
    entry = ".".join(str(part) for part in first["loc"]) or "the file"
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return f"{entry}: {first['msg'].removeprefix('Value error, ')}{more}"


def settings_file(path: Path | None) -> Path | None:
    """The settings file of a command: the one given, else ./canalwise.toml where it is there."""
    here = Path("canalwise.toml")
    return path or (here if here.exists() else None)


def load_settings(path: Path) -> Settings:
    """The settings in a file; a UserError says which entry is wrong."""
    try:
        return Settings.model_validate(read_toml(path, "settings file"))
    except ValidationError as e:
        do = "`canalwise init` writes a file to compare with"
        raise UserError(first_problem(e), where=str(path), do=do) from None
