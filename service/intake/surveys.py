"""Surveys and sites that an import brings along, beside those that the store knows."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import available_timezones

import pandas as pd

from layers.crs import read_crs
from layers.errors import CrsError
from layers.plurals import counted, plural
from layers.totals import ALL_IS_TOTALS, is_all
from service.intake.columns import SHEETS, plain
from service.intake.coordinates import WGS84
from service.intake.values import text_column
from service.intake.wording import say
from service.records import is_zone
from service.reference.spelling import did_you_mean, nearest_names

if TYPE_CHECKING:
    from service.intake.findings import Cells

__all__ = ["new_sites", "new_surveys", "refuse_crs", "refuse_keys", "refuse_zones"]


def new_surveys(
    cells: Cells, placements: Cells, named: pd.Series, stored: pd.DataFrame, timezone: str
) -> pd.DataFrame:
    """Surveys that the store does not know yet, index `survey`.

    Parameters
    ----------
    cells, placements
        Sheets of surveys and of placements.
    named
        Survey of each placement, '' where it names none.
    timezone
        Zone of the store, for surveys that name none.
    """
    listed = _listed(cells, stored)
    refuse_zones(cells)
    refuse_crs(cells)
    surveys, fresh = _with_fresh(listed, named, stored)
    surveys["timezone"] = surveys["timezone"].fillna(timezone)
    surveys["crs"] = surveys["crs"].fillna(WGS84)
    for name in fresh:
        near = nearest_names(name, [str(known) for known in stored.index], limit=1)
        alike = [other for other in fresh if other != name and plain(other) == plain(name)]
        said = say(
            "new_survey.survey",
            zone=timezone,
            crs=WGS84,
            near=say("new_survey.near", name=near[0]) if near else "",
            alike=say("new_survey.alike", name=alike[0]) if alike else "",
        )
        placements.findings.note(placements.file, said, "survey", name)
    return surveys


def new_sites(
    cells: Cells, placements: Cells, stored: pd.DataFrame, surveys: pd.Index
) -> pd.DataFrame:
    """Sites that the store does not know yet; index `site`: name, survey, stream_name, note."""
    listed = _listed(cells, stored)
    owner = cells.column("survey")
    strange = (owner != "") & ~owner.isin(surveys)
    cells.refuse(strange, "survey", "survey_unknown.site")
    sites, fresh = _with_fresh(listed, placements.column("site"), stored)
    if not fresh:
        return sites
    said = say(
        "new_sites",
        sites=counted(len(fresh), "site"),
        are=plural(len(fresh), "is", "are"),
        they=plural(len(fresh), "it", "they"),
    )
    placements.findings.note(placements.file, said, "site", ", ".join(fresh[:10]))
    return sites


def _with_fresh(
    listed: pd.DataFrame, named: pd.Series, stored: pd.DataFrame
) -> tuple[pd.DataFrame, list[str]]:
    """Add what placements name and neither store nor sheet lists; and which these are."""
    fresh = [name for name in named.unique().tolist() if name]
    fresh = [name for name in fresh if name not in stored.index and name not in listed.index]
    index = pd.Index(fresh, dtype="str", name=listed.index.name)
    bare = pd.DataFrame(index=index, columns=listed.columns).astype("str")
    return (pd.concat([listed, bare]) if fresh else listed), fresh


def _listed(cells: Cells, stored: pd.DataFrame) -> pd.DataFrame:
    """Rows of a sheet that the store does not know."""
    key, *names = (column.name for column in SHEETS[cells.sheet])
    keys = cells.column(key)
    refuse_keys(cells, key)
    frame = pd.DataFrame({name: text_column(cells, name) for name in names})
    frame.index = pd.Index(keys.to_numpy(object), dtype="str", name=key)
    known = frame.index.isin(stored.index)
    for name in frame.index[known].unique():
        old = stored.loc[name].reindex(names)
        new = frame.loc[[name]].iloc[0]
        differs = [n for n in names if isinstance(new[n], str) and new[n] != old[n]]
        if differs:
            said = say("kept_as_stored", columns=" and ".join(differs), key=key)
            cells.findings.note(cells.file, said, key, str(name))
    return frame.loc[~known & (frame.index != "") & ~frame.index.duplicated()]


def refuse_keys(cells: Cells, key: str) -> None:
    """Refuse keys that are empty, name total rows, or stand there more than once."""
    keys = cells.column(key)
    said = say("name_is_total.survey", why=ALL_IS_TOTALS)
    cells.refuse(keys.map(is_all).astype(bool), key, said)
    cells.refuse(keys == "", key, "value_missing.name")
    first = dict(zip(keys[::-1], keys.index[::-1], strict=True))
    cells.refuse(
        keys.duplicated() & (keys != ""),
        key,
        lambda value: say("id_doubled.named", row=first[value]),
    )


def refuse_zones(cells: Cells) -> None:
    """Refuse time zones that are none."""
    zones = cells.column("timezone")
    bad = [zone for zone in zones.unique().tolist() if zone and not is_zone(zone)]
    cells.refuse(
        zones.isin(bad),
        "timezone",
        lambda value: say("timezone_unknown.near", near=did_you_mean(value, _zones_of_places())),
    )


def _zones_of_places() -> list[str]:
    """Zones to be offered; those of the form Etc/GMT+1 lie on the other side of what one thinks."""
    return sorted(z for z in available_timezones() if "/" in z and not z.startswith("Etc/"))


def refuse_crs(cells: Cells) -> None:
    """Refuse texts that name no CRS."""
    texts = cells.column("crs")
    for text in texts.unique().tolist():
        if not text:
            continue
        try:
            read_crs(text)
        except CrsError as problem:
            said = say("crs_unknown.other", problem=problem)
            cells.refuse(texts == text, "crs", said)
