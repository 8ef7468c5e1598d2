"""Frames at the doors of the rooms: one schema for each kind, and rows by their labels.

`FRAMES` declares each kind of frame that functions hand one another. A function says with
:func:`reads` which columns of which kinds it reads; its frames are checked before it runs.
Ids are text. Missing is NaN, NaT or None, never a magic number. Metres are those of the store's
projected CRS, times are timezone-aware; units stand in the names.

pandera took 0.46 s and 14 MB before its first check was done, then 4.8 ms for five columns, a key
and one list of words in a frame of four rows; what stands here takes 0.2 ms.
"""

from __future__ import annotations

import inspect
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import wraps
from typing import TYPE_CHECKING, Any, Final, ParamSpec, TypeVar

import numpy as np
import pandas as pd
from pandas.api import types

from layers.arrays import differs
from layers.errors import FrameError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from layers.arrays import Ints

__all__ = [
    "COUNT_KINDS",
    "FRAMES",
    "LENGTH_TYPES",
    "OUTCOMES",
    "PASS_MINUTES",
    "Frame",
    "check_frame",
    "codes_of",
    "codes_within",
    "columns_of",
    "reads",
    "typed",
]

P = ParamSpec("P")
R = TypeVar("R")

OUTCOMES: Final = ("caught", "nil", "lost", "disturbed", "unrecorded")
PASS_MINUTES: Final = tuple(f"minutes_pass_{k}" for k in range(1, 7))
LENGTH_TYPES: Final = ("total", "fork", "standard")
COUNT_KINDS: Final = ("exact", "at_least", "estimate", "present")


@dataclass(frozen=True)
class Frame:
    """The schema of one kind of frame.

    Attributes
    ----------
    kinds
        `text`, `number`, `time`, `truth`, `shape` or `list`, by column.
    needed
        Columns that every such frame has. The name of the key stands for an index by which
        rows are looked up: each once.
    key
        Name of the index.
    words
        The only words allowed, by column.
    """

    kinds: Mapping[str, str]
    needed: str = ""
    key: str = ""
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def _kinds(**columns: str) -> dict[str, str]:
    return {name: kind for kind, names in columns.items() for name in names.split()}


FRAMES: Final[Mapping[str, Frame]] = {
    # One gear put in one place once; the point is its position, `shape` what was drawn.
    "placements": Frame(
        _kinds(
            text="survey site stream_name method timezone outcome stretch_anchor bait crew "
            "permit notes shape_kind original_crs transformation",
            time="set_at lifted_at",
            number=f"gear_count lifts minutes passes {' '.join(PASS_MINUTES)} area_m2 "
            "stretch_length_m position_uncertainty_m mesh_mm water_temperature_c "
            "dissolved_oxygen_mg_l conductivity_us_cm water_velocity_m_s visibility_m "
            "wetted_width_m original_x original_y transformation_accuracy_m",
            truth="trap_air_space operator_certificate machine_check gear_cleaned",
            shape="shape",
        ),
        "placement_id method outcome set_at timezone",
        key="placement_id",
        words={"outcome": OUTCOMES},
    ),
    "catches": Frame(
        _kinds(
            text="placement_id species count_kind life_stage fate notes", number="count pass_no"
        ),
        "placement_id species count count_kind",
        words={"count_kind": COUNT_KINDS},
    ),
    "lengths": Frame(
        _kinds(text="placement_id species length_type", number="pass_no length_mm weight_g"),
        "placement_id species length_mm",
        words={"length_type": LENGTH_TYPES},
    ),
    # Where a placement lies on the network: a missing reach means none within tolerance.
    "snaps": Frame(
        _kinds(
            text="reach_id ambiguous_with",
            number="measure_m offset_m snapped_x snapped_y",
            truth="ambiguous",
        ),
        "placement_id reach_id",
        key="placement_id",
    ),
    # Water sampled along a reach; measures run from its upstream end.
    "stretches": Frame(
        _kinds(text="placement_id reach_id", number="from_m to_m"),
        "placement_id reach_id from_m to_m",
    ),
    "flags": Frame(_kinds(text="placement_id code message"), "placement_id message"),
    # Parts of reaches by catchment; a missing one means outside all.
    "reach_parts": Frame(
        _kinds(text="reach_id catchment_id", number="from_m to_m"),
        "reach_id from_m to_m catchment_id",
    ),
    "reaches": Frame(
        _kinds(text="stream_name kind", number="strahler length_m"),
        "reach_id",
        key="reach_id",
    ),
    "catchments": Frame(
        _kinds(text="name parent_id"), "catchment_id parent_id", key="catchment_id"
    ),
    # Each catchment with all that holds it, itself included.
    "ancestors": Frame(_kinds(text="catchment_id ancestor_id"), "catchment_id ancestor_id"),
    "species": Frame(
        _kinds(
            text="vernacular_name rank family habitats detected_by sensitivity sensitive_from "
            "sensitive_until taxon_id vernacular_names group",
            number="min_length_mm max_length_mm",
        ),
        "species rank",
        key="species",
    ),
    "methods": Frame(
        _kinds(
            text="label gear_kind hours stretch_rule area_rule cpue_passes habitats",
            list="effort_units geometry cautions",
            number="max_soak_h represents_m",
            truth="passive operator_certificate machine_check",
        ),
        "method",
        key="method",
        words={"stretch_rule": ("along", "none"), "cpue_passes": ("first", "all")},
    ),
    # How the public sees each generalised placement.
    "views": Frame(
        _kinds(text="public_id", number="step_km cell_x cell_y year"),
        "public_id step_km cell_x cell_y year",
        key="placement_id",
    ),
    # What one function computes and another reads.
    "effort": Frame(
        _kinds(text="placement_id effort_unit", number="effort"), "placement_id effort effort_unit"
    ),
    "totals": Frame(
        _kinds(text="method effort_unit", number="year effort"), "method year effort_unit effort"
    ),
    "curve": Frame(_kinds(number="placements species species_sd"), "placements species species_sd"),
    "rates": Frame(
        _kinds(text="species method catchment cpue_unit", number="cpue cpue_low cpue_high"),
        "species method catchment cpue cpue_low cpue_high cpue_unit",
    ),
    "coverage": Frame(_kinds(text="state", number="years_since"), "state years_since"),
}

_OF_DTYPE: Final[Mapping[str, Callable[[Any], bool]]] = {
    "text": lambda dtype: isinstance(dtype, (pd.StringDtype, pd.CategoricalDtype)),
    "number": lambda dtype: types.is_numeric_dtype(dtype) and not types.is_bool_dtype(dtype),
    "time": lambda dtype: isinstance(dtype, pd.DatetimeTZDtype),
    "truth": types.is_bool_dtype,
    "shape": lambda dtype: str(dtype) == "geometry",
    "list": lambda dtype: False,  # noqa: ARG005
}
# What pandas infers of the values of an object column.
_INFERRED: Final = {
    "text": ("string",),
    "number": ("floating", "integer", "mixed-integer-float", "decimal"),
    "time": (),
    "truth": ("boolean",),
    "shape": ("mixed",),
    "list": ("mixed",),
}
_REMEDY: Final = {
    "text": "give text",
    "number": "give numbers",
    "time": "give timezone-aware times in UTC",
    "truth": "give true or false",
    "shape": "give geometries",
    "list": "give lists of words",
}
# Whatever a checked function hands on comes out of frames that were checked already.
_within: ContextVar[bool] = ContextVar("within", default=False)


def reads(*kinds: str, **needed: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Check the frames that a function is called with; one that is None is not.

    Parameters
    ----------
    *kinds
        Parameters, which have the name of their kind in `FRAMES`, whose needed columns are read.
    **needed
        Parameters of which other columns are read: these, with blanks between.

    Raises
    ------
    FrameError
        On a call: what :func:`check_frame` raises. Within another checked function only the
        presence of columns is checked.

    Examples
    --------
    >>> @reads(stretches="from_m to_m")
    ... def sampled_m(stretches: pd.DataFrame) -> float:
    ...     return float((stretches["to_m"] - stretches["from_m"]).sum())
    >>> sampled_m(pd.DataFrame({"from_m": [10.0], "to_m": ["45"]}))
    Traceback (most recent call last):
    layers.errors.FrameError: Column to_m of the stretches frame contains '45'; give numbers.
    """
    needed |= {kind: FRAMES[kind].needed for kind in kinds}
    columns = {name: tuple(names.split()) for name, names in needed.items()}
    for name, wanted in columns.items():
        if strange := set(wanted) - {FRAMES[name].key, *FRAMES[name].kinds}:
            raise FrameError(f"The {name} frame declares no {', '.join(sorted(strange))}.")

    def door(function: Callable[P, R]) -> Callable[P, R]:
        order = list(inspect.signature(function).parameters)
        places = [(name, order.index(name), wanted) for name, wanted in columns.items()]

        @wraps(function)
        def checked(*args: P.args, **kwargs: P.kwargs) -> R:
            inner = _within.get()
            for name, place, wanted in places:
                frame = args[place] if place < len(args) else kwargs.get(name)
                if isinstance(frame, pd.DataFrame):
                    check_frame(name, frame, wanted, presence_only=inner)
            token = _within.set(True)
            try:
                return function(*args, **kwargs)
            finally:
                _within.reset(token)

        return checked

    return door


def check_frame(
    kind: str,
    frame: pd.DataFrame,
    needed: tuple[str, ...],
    *,
    presence_only: bool = False,
) -> None:
    """Refuse a frame that is not of its kind.

    Parameters
    ----------
    kind
        A key of `FRAMES`.
    frame
        The frame. Columns that are not declared may be there too.
    needed
        Columns that must be there; the name of the key if rows are looked up by it.
    presence_only
        Only look whether the columns are there.

    Raises
    ------
    FrameError
        A column is missing (all such are named) or holds values of another kind or a word that
        is not allowed, or a key is there twice.
    """
    schema = FRAMES[kind]
    columns = [name for name in needed if name != schema.key]
    if missing := [name for name in columns if name not in frame.columns]:
        raise FrameError(
            f"The {kind} frame lacks {', '.join(missing)}; FRAMES in layers/frames.py says "
            "what belongs in it."
        )
    if presence_only or frame.empty:
        return
    if schema.key in needed and not frame.index.is_unique:
        twice = frame.index[frame.index.duplicated()][0]
        raise FrameError(f"The {kind} frame has {schema.key} {twice!r} twice; give each once.")
    for name in columns:
        _check_column(kind, frame[name], schema.kinds[name], schema.words.get(name))


def _check_column(frame: str, column: pd.Series, kind: str, words: tuple[str, ...] | None) -> None:
    wrong, remedy = None, _REMEDY[kind]
    if not _OF_DTYPE[kind](column.dtype):
        values = column.dropna()
        if column.dtype != object or types.infer_dtype(values) not in (*_INFERRED[kind], "empty"):
            wrong = values
    if wrong is None and words is not None and not (known := column.isin(words)).all():
        wrong, remedy = column[~known].dropna(), f"use one of {', '.join(words)}"
    if wrong is not None and len(wrong):
        example = wrong.iloc[0]
        if column.dtype == object:  # of a mixed column the first text, or the first that is none
            is_text = np.array([isinstance(value, str) for value in wrong])
            example = wrong.iloc[int(np.argmax(is_text != (kind == "text")))]
        shown = repr(example) if isinstance(example, str) else str(example)
        raise FrameError(f"Column {column.name} of the {frame} frame contains {shown}; {remedy}.")


def codes_of(labels: pd.Series, index: pd.Index, what: str) -> Ints:
    """Row numbers of labels in an index that must contain them all.

    Raises
    ------
    FrameError
        A label is not in the index; the first is named.
    """
    codes = codes_within(labels, index)
    if (codes < 0).any():
        stranger = labels.iloc[int(np.argmax(codes < 0))]
        raise FrameError(
            f"{what} {stranger!r} is not in its list; add it there or mend the record."
        )
    return codes


def codes_within(labels: pd.Series, index: pd.Index) -> Ints:
    """Row numbers of labels in an index; -1 where it lacks them or the label is missing.

    Neighbours that are alike are looked up once where the index is long, coded labels not at all.
    """
    if isinstance(labels.dtype, pd.CategoricalDtype):
        codes, known = labels.cat.codes.to_numpy(), labels.cat.categories
        if known.is_(index):
            return codes.astype(np.int64)
        if len(codes) < len(known):  # only words that rows have are looked up
            words, numbers = np.unique(codes, return_inverse=True)
            found = np.where(words < 0, -1, index.get_indexer(known[words]))
            return np.asarray(found[numbers], dtype=np.int64)
        return np.asarray(np.append(index.get_indexer(known), -1)[codes], dtype=np.int64)
    if 8 * len(index) > len(labels):
        words = labels.to_numpy(object)
        starts = np.flatnonzero(differs(words))
        found = index.get_indexer(pd.Index(labels.array[starts]))
        found = np.repeat(found, np.diff(starts, append=len(words)))
        return np.asarray(found, dtype=np.int64)
    return np.asarray(index.get_indexer(pd.Index(labels.array)), dtype=np.int64)


def columns_of(*groups: tuple[type, str]) -> dict[str, type]:
    """Declare columns of results in their order: a type, and names with blanks between.

    Examples
    --------
    >>> columns_of((str, "species method"), (int, "units"))
    {'species': <class 'str'>, 'method': <class 'str'>, 'units': <class 'int'>}
    """
    return {name: kind for kind, names in groups for name in names.split()}


def typed(rows: object, columns: Mapping[str, type]) -> pd.DataFrame:
    """Make a frame of results whose columns have their types, whatever is missing.

    Missing texts (`str`) are empty and missing whole numbers (`int`) 0; unsure whole numbers
    (`pd.Int64Dtype`) and all others (`float`) stay missing.
    """
    frame: pd.DataFrame = pd.DataFrame(rows, columns=[*columns])  # type: ignore[call-overload]
    frame = frame.reset_index(drop=True)
    for column, kind in columns.items():
        if kind is str:
            frame[column] = frame[column].astype(object).fillna("").astype("str")
        elif kind is int:
            frame[column] = frame[column].astype("float64").fillna(0).astype("int64")
        else:
            frame[column] = frame[column].astype("Int64" if kind is pd.Int64Dtype else "float64")
    return frame
