"""Refusals and flags of field sheets, each by a sheet that has just that fault."""

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from service.errors import ConflictError, FieldFileError
from service.intake.importing import check, take
from service.intake.sheets import sheets_from_frames
from service.records import Selection
from service.reference.loading_layers import load_catchments, load_reaches
from service.reference.method_files import shipped_methods
from service.store import Store
from tests.intake_sheets import (
    CATCHES,
    CATCHMENTS,
    CRS,
    LINES,
    NOW,
    PLACEMENTS,
    X,
    Y,
    cells,
    checked,
    codes,
    make_store,
    only_fault,
    placements,
)


@pytest.fixture
def fresh(tmp_path):
    store = make_store(tmp_path / "store.gpkg")
    yield store
    store.close()


def test_good_sheets_are_taken_whole_and_snapped(fresh):
    """What the sheets say is what the store holds."""
    result = checked(fresh, cells(PLACEMENTS), cells(CATCHES))
    batch = take(result, fresh, "tester")
    stored = fresh.records(Selection())
    assert (batch.placements, batch.catches) == (2, 2)
    assert stored.catches[["species", "count", "count_kind"]].to_numpy().tolist() == [
        ["Barbatula barbatula", 3.0, "exact"],
        ["Cottus gobio", 20.0, "at_least"],
    ]
    assert stored.snaps["reach_id"].notna().all()
    # Ireland keeps summer time in May: one hour ahead of UTC.
    assert str(stored.placements.loc["P1", "set_at"]) == "2024-05-01 18:00:00+00:00"
    assert stored.placements.loc["P2", "outcome"] == "nil"
    assert fresh.faults() == []


@pytest.mark.parametrize(
    ("columns", "column", "remedy"),
    [
        ({"method": "kicknet2"}, "method", "did you mean kick_net?"),
        ({"set_at": "yesterday"}, "set_at", "give a time such as"),
        ({"set_at": "03/04/2024 11:00"}, "set_at", "may be 3 April or 4 March"),
        ({"set_at": "2024-02-30T10:00"}, "set_at", "February 2024 has 29 days"),
        ({"set_at": "2026-05-02T11:00", "lifted_at": ""}, "set_at", "in the future"),
        ({"lifted_at": "2024-05-02T10:59"}, "lifted_at", "lifted before it was set"),
        ({"lifted_at": "2024-05-03"}, "lifted_at", "both be days alone"),
        # Clocks in Ireland went back on 27 October 2024 and forward on 31 March 2024.
        ({"set_at": "2024-10-27T01:30", "lifted_at": ""}, "set_at", "came twice"),
        ({"set_at": "2024-03-31T01:30", "lifted_at": ""}, "set_at", "never came"),
        ({"minutes": "inf"}, "minutes", "finite"),
        ({"minutes": "NaN"}, "minutes", "leave the cell empty"),
        ({"minutes": "-5"}, "minutes", "above 0"),
        ({"minutes": "1,234"}, "minutes", "may divide thousands or decimals"),
        ({"minutes": "12,34.5"}, "minutes", "give a number in min"),
        ({"lifts": "2.5"}, "lifts", "whole number"),
        ({"lifts": "0"}, "lifts", "not below 1"),
        ({"water_temperature_c": "145"}, "water_temperature_c", "check the unit"),
        ({"outcome": "nill"}, "outcome", "did you mean nil"),
        ({"gear_cleaned": "maybe"}, "gear_cleaned", "yes or no"),
        ({"longitude": "52.6", "latitude": "-11.2127"}, "longitude", "look exchanged"),
        ({"longitude": "24.1"}, "longitude", "outside the area of use"),
        ({"longitude": "-191.2"}, "longitude", "outside the area of use"),
        ({"crs": "EPSG:999999"}, "crs", "unknown"),
        ({"crs": "EPSG:32629"}, "crs", "in metres"),
        ({"latitude": ""}, "latitude", "give latitude too"),
        ({"placement_id": ["P2", "P2"]}, "placement_id", "rows 2, 3"),
        ({"placement_id": ""}, "placement_id", "own id"),
        ({"survey": ""}, "survey", "say to which survey"),
        ({"waypoint": "W1"}, "waypoint", "give the GPX file"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_its_remedy(store, columns, column, remedy):
    """One fault gives a refusal that names row, column, value and what would be right."""
    result = checked(store, placements(**columns))
    assert result.records is None
    assert {fault.column for fault in result.refused} == {column}, result.refused
    fault = result.refused[0]
    assert (fault.file, fault.row) == ("form", 2)
    assert remedy in fault.remedy


def test_position_missing_is_refused(store):
    fault = only_fault(checked(store, placements(longitude="", latitude="")), "longitude")
    assert "no position" in fault.remedy


@pytest.mark.parametrize(
    ("row", "column", "remedy"),
    [
        ({"placement_id": "P9"}, "placement_id", "no such placement"),
        ({"placement_id": "P2"}, "placement_id", "declared nil"),
        ({"species": "Barbatula barbatulla"}, "species", "nearest: Barbatula barbatula"),
        ({"species": "Stone loaches"}, "species", "Barbatula barbatula"),
        ({"species": "Zzz qqq"}, "species", "not near any name"),
        ({"species": ""}, "species", "give the species"),
        ({"count": "-1"}, "count", "not below 1"),
        ({"count": "1.5"}, "count", "whole number"),
        ({"count": "20+"}, "count", "at_least in the column count_kind"),
        ({"count": "0", "count_kind": "at_least"}, "count", "declare nil"),
        ({"count": ""}, "count", "write present in the column count_kind"),
        ({"count_kind": "present"}, "count_kind", "nobody counted"),
        ({"count_kind": "about"}, "count_kind", "give one of exact"),
    ],
)
def test_catch_rows_that_cannot_be_are_refused(store, row, column, remedy):
    """A catch row is refused for its placement, species or count, and nothing is stored."""
    catches = cells(CATCHES).iloc[[0]].assign(**row)
    result = checked(store, cells(PLACEMENTS), catches)
    fault = only_fault(result, column)
    assert remedy in fault.remedy
    with pytest.raises(FieldFileError):
        take(result, store, "tester")
    assert len(store.records(Selection()).placements) == 0


def test_all_refusals_come_at_once(store):
    frame = placements(minutes=["x", "y"], method=["a", "b"])
    assert len(checked(store, frame).refused) == 4


def test_a_present_species_needs_no_count(store):
    catches = cells(CATCHES).iloc[[0]].assign(count="", count_kind="present")
    result = checked(store, cells(PLACEMENTS), catches)
    assert result.records.catches["count"].isna().all()


@pytest.mark.parametrize(
    ("columns", "passes", "minutes", "says"),
    [
        ({"minutes_pass_1": "20", "minutes_pass_2": "15"}, 2, 35, "with the minutes of all passes"),
        ({"minutes_pass_1": "20", "passes": "2"}, 2, None, ""),
        ({"minutes_pass_1": "20", "minutes_pass_2": "15", "minutes": "40"}, 2, 40, "another"),
        ({"minutes_pass_1": "20", "minutes_pass_3": "15", "passes": "2"}, 2, None, "fewer passes"),
    ],
)
def test_minutes_of_passes_say_how_many_and_how_long(store, columns, passes, minutes, says):
    """Passes and minutes that stand nowhere follow; what contradicts is refused or flagged."""
    electric = {"method": "electric_fishing", "operator_certificate": "yes", "machine_check": "yes"}
    row = electric | {"minutes": ""} | columns
    result = checked(store, placements(**row))
    said = " ".join(result.findings["message"])
    assert says in said
    if says == "fewer passes":
        assert result.records is None
        return
    own = result.records.placements.iloc[0]
    assert own["passes"] == passes
    assert own["minutes"] == minutes or (minutes is None and pd.isna(own["minutes"]))


def test_minutes_of_passes_of_a_row_without_an_id(store):
    """The row is refused for its id; how the others were read is said all the same."""
    row = {"passes": "", "minutes": "", "minutes_pass_1": "20", "minutes_pass_2": "15"}
    result = checked(store, placements(placement_id=["", "P9"], **row))
    assert [(fault.row, fault.column) for fault in result.refused] == [(2, "placement_id")]
    said = {one.code: one.message for one in result.readings}
    assert "P9 as 2" in said["passes_by_minutes"]
    assert "P9 as 35" in said["minutes_summed"]


@pytest.mark.parametrize("header", ["minutes_pass_7", "Seconds pass 8"])
def test_minutes_of_a_pass_that_has_no_column_are_refused(store, header):
    """Six passes have minutes of their own; a seventh is not passed over, an empty one is."""
    row = {"method": "electric_fishing", "operator_certificate": "yes", "machine_check": "yes"}
    row |= {f"minutes_pass_{k}": "5" for k in range(1, 7)} | {"passes": "7", "minutes": "35"}
    (fault,) = checked(store, placements(**row, **{header: "5"})).refused
    assert fault.column == header
    assert "the first 6 passes" in fault.remedy
    result = checked(store, placements(**row, **{header: ""}))
    assert result.records.placements["passes"].tolist() == [7]


TRAP = {
    "method": "minnow_trap",
    "set_at": "2024-05-01T19:00",
    "lifted_at": "2024-05-02T08:00",
    "gear_count": "2",
}
CURRENT = {
    "method": "electric_fishing",
    "operator_certificate": "yes",
    "machine_check": "yes",
    "passes": "2",
}


@pytest.mark.parametrize(
    ("columns", "code"),
    [
        ({}, None),
        (TRAP, None),
        (CURRENT, None),
        # Sunset at 52.6 N, 11.2 W on 2 May is about 20:00 UTC, 21:00 Irish time; well before 23:00.
        (
            {**CURRENT, "set_at": "2024-05-02T23:00", "lifted_at": "2024-05-02T23:40"},
            "outside_hours",
        ),
        ({"method": "spotlight"}, "outside_hours"),
        ({**CURRENT, "operator_certificate": ""}, "certificate_missing"),
        ({**CURRENT, "machine_check": "no"}, "machine_check_missing"),
        ({**TRAP, "lifted_at": "2024-05-02T20:00"}, "soak_too_long"),
        (
            {**TRAP, "set_at": "2024-05-02T09:00", "lifted_at": "2024-05-02T17:00"},
            "lifted_same_day",
        ),
        ({**TRAP, "lifted_at": ""}, "lift_time_missing"),
        ({**TRAP, "dissolved_oxygen_mg_l": "2.0"}, "low_oxygen"),
        ({**TRAP, "dissolved_oxygen_mg_l": "2.0", "trap_air_space": "yes"}, None),
        ({**TRAP, "water_velocity_m_s": "0.3"}, "fast_water"),
        ({**TRAP, "water_velocity_m_s": "0.29"}, None),
        ({"water_velocity_m_s": "0.9"}, None),  # no trap
        ({"water_temperature_c": "22.5"}, "warm_water"),
        ({"outcome": ""}, "outcome_missing"),
        ({"outcome": "caught"}, "caught_without_rows"),
        ({"minutes": "", "lifts": ""}, "effort_missing"),
        ({"set_at": "2024-05-02", "lifted_at": ""}, "time_missing"),
        ({"longitude": "-11.25"}, "snap_none"),
        ({"stretch_length_m": "400", "stretch_anchor": "centre"}, None),
        (
            {
                "longitude": "",
                "latitude": "",
                "geometry": "POLYGON ((-11.213 52.600, -11.212 52.600, -11.212 52.601, "
                "-11.213 52.600))",
            },
            "geometry_unusual",
        ),
        (
            {
                "longitude": "",
                "latitude": "",
                "stretch_length_m": "400",
                "geometry": "LINESTRING (-11.2128 52.6000, -11.2128 52.6010)",
            },
            "stated_length_differs",
        ),
    ],
)
def test_what_looks_odd_is_flagged_and_kept(store, columns, code):
    """Each flag comes from its own circumstance, and nothing else raises one."""
    result = checked(store, placements(**columns))
    found = codes(result) - {"new_survey", "new_sites", "snap_ambiguous", "stretch_confluence"}
    found -= {"stretch_cut_short"}
    found -= {"effort_missing"} if code == "lift_time_missing" else set()
    assert found == ({code} if code else set())
    assert len(result.records.placements) == 1


@pytest.fixture
def two_waters(fresh):
    """The store with a brook that joins no other, and a second catchment of the highest level."""
    lines = {**LINES, "Z1": ("Far Brook", [(X + 2000, Y + 2000), (X + 2000, Y + 1000)])}
    names, drawn = zip(*lines.values(), strict=True)
    reaches = gpd.GeoDataFrame(
        {"reach_id": list(lines), "stream_name": names},
        geometry=[shapely.LineString(line) for line in drawn],
        crs=CRS,
    )
    load_reaches(fresh, reaches, who="test")
    areas = gpd.GeoDataFrame(
        {"catchment_id": [*CATCHMENTS, "D0"], "parent_id": [None, "C0", "C0", None]},
        geometry=[*(shape for _, shape in CATCHMENTS.values()), shapely.box(
            X + 3000, Y - 500, X + 6000, Y + 3000)],
        crs=CRS,
    )  # fmt: skip
    load_catchments(fresh, areas, who="test")
    return fresh


# Longitudes at latitude 52.612: on the main stream, its tributary and the far brook; between
# streams in the first catchment, and in the second.
MAIN, SIDE, FAR, DRY, OTHER = "-11.2128", "-11.2030", "-11.1832", "-11.2240", "-11.1500"


def visits(*longitudes, **more):
    days = [f"2024-05-0{day}T11:00" for day in range(2, 2 + len(longitudes))]
    columns = {"set_at": days, "lifted_at": "", "latitude": "52.6120", "crew": "crew A"} | more
    return placements(longitude=list(longitudes), **columns)


def uncleaned(result):
    flagged = result.flagged.query("code == 'gear_not_cleaned'")
    return dict(zip(flagged["placement_id"], flagged["message"], strict=True))


@pytest.mark.parametrize(
    ("longitudes", "more", "expected"),
    [
        ((MAIN, SIDE, MAIN), {}, []),  # two small catchments of one river
        ((MAIN, FAR, MAIN), {}, ["P3", "P4"]),
        ((MAIN, FAR, MAIN), {"gear_cleaned": ["", "no", "yes"]}, ["P3"]),
        ((MAIN, FAR), {"crew": ["crew A", "crew B"]}, []),
        ((MAIN, DRY), {}, []),  # on no reach: the catchment decides
        ((DRY, OTHER), {}, ["P3"]),
        ((MAIN, OTHER), {}, ["P3"]),
        # The first was lifted after the second was set: two sets of gear.
        ((MAIN, FAR), {"lifted_at": ["2024-05-04T08:00", "2024-05-04T09:00"]}, []),
        ((MAIN, FAR), {"lifted_at": ["2024-05-03T08:00", "2024-05-04T09:00"]}, ["P3"]),
    ],
)
def test_gear_moved_between_waters_needs_cleaning_on_record(two_waters, longitudes, more, expected):
    """Another water is another connected part of the network, else another top-level catchment."""
    result = checked(two_waters, visits(*longitudes, **more))
    assert list(uncleaned(result)) == expected
    if expected == ["P3"]:
        assert "(placement P2)" in uncleaned(result)["P3"]


def test_gear_is_followed_from_what_is_stored(two_waters):
    """Entered alone later, a placement is compared with the crew's last one."""
    take(checked(two_waters, visits(MAIN, SIDE)), two_waters, "tester")
    for longitude, expected in ((FAR, True), (MAIN, False)):
        later = visits(longitude, placement_id="P9", set_at="2024-05-05T11:00")
        assert ("P9" in uncleaned(checked(two_waters, later))) is expected


@pytest.mark.parametrize("seed", range(3))
def test_only_what_each_crew_set_since_its_last_time_is_read(two_waters, monkeypatch, seed):
    """Sheets get the flags that they get where all stored placements are read; a form reads few."""
    rng = np.random.default_rng(seed)

    def drawn(count, first, since, until):
        return visits(
            *rng.choice([MAIN, SIDE, FAR, DRY, OTHER], count),
            placement_id=[f"{first}{k}" for k in range(count)],
            set_at=[
                f"2024-{5 + k // 28:02d}-{1 + k % 28:02d}T11:00"
                for k in rng.integers(since, until, count)
            ],
            crew=list(rng.choice(["crew A", "crew B", "crew C", ""], count)),
            method=list(rng.choice(["kick_net", "hand_net"], count)),
            gear_cleaned=list(rng.choice(["", "", "yes"], count)),
        )

    take(checked(two_waters, drawn(30, "S", 0, 50)), two_waters, "tester")
    read, records = [], Store.records

    def noting(self, *of):
        found = records(self, *of)
        read.append(len(found.placements))
        return found

    monkeypatch.setattr(Store, "records", noting)
    some = [drawn(count, "N", 45, 56) for count in (1, 4, 8)]
    near = [uncleaned(checked(two_waters, sheet)) for sheet in some]
    assert read[0] < 30
    assert any(read)
    monkeypatch.setattr(Store, "last_set", lambda *_: dt.date(1990, 1, 1))
    assert near == [uncleaned(checked(two_waters, sheet)) for sheet in some]
    assert any(near)


def test_gear_with_two_ends_has_the_effort_of_its_stretch(store):
    """A spotlight walk without minutes is told in metres, of the stretch cut from the reaches."""
    walk = placements(
        method="spotlight", set_at="2024-05-02T23:00", lifted_at="", minutes="", lifts="",
        latitude="52.6000", end_longitude="-11.2128", end_latitude="52.6020",
    )  # fmt: skip
    assert "effort_missing" not in codes(checked(store, walk))
    off = walk.assign(longitude="-11.2500", end_longitude="-11.2500")  # far from every reach
    flagged = checked(store, off).flagged.query("code == 'effort_missing'")
    assert flagged["message"].tolist() == [
        "How hard it fished cannot be told: for this method fill in minutes, or stretch_length_m."
    ]


def test_methods_of_one_label_keep_their_own_shapes(fresh):
    """Of two methods with one label, each is compared with its own geometry."""
    methods = shipped_methods()
    twin = methods.loc[["kick_net"]].rename(index={"kick_net": "kick_net_polygon"})
    twin["geometry"] = [["area"]]
    both = pd.concat([methods, twin])
    both.loc[["kick_net", "kick_net_polygon"], "label"] = "Sweep net"
    fresh.put_methods(both, who="test")
    area = "POLYGON ((-11.213 52.600, -11.212 52.600, -11.212 52.601, -11.213 52.600))"
    frame = placements(
        method=["kick_net", "kick_net_polygon", "kick_net_polygon"],
        longitude=["-11.2127", "", "-11.2127"],
        latitude=["52.6000", "", "52.6000"],
        geometry=["", area, ""],
    )
    flagged = checked(fresh, frame).flagged.query("code == 'geometry_unusual'")
    assert flagged["placement_id"].tolist() == ["P4"]
    assert flagged["message"].tolist() == [
        "The place is given as point; usual for this method is area."
    ]
    fault = only_fault(checked(fresh, placements(method="Sweep net")), "method")
    assert "write kick_net or kick_net_polygon" in fault.remedy


def test_letters_for_a_zone_are_answered_with_the_zone_of_the_survey(store):
    """The sheet's survey goes by Irish time; which has GMT in winter, UTC+1 in summer."""
    fault = only_fault(checked(store, placements(set_at="2024-05-02 11:00 BST")), "set_at")
    assert "the clock of Europe/Dublin (+00:00 or +01:00)" in fault.remedy


def test_a_species_new_to_a_catchment_is_flagged_once_there_are_records(fresh):
    first = checked(fresh, cells(PLACEMENTS), cells(CATCHES))
    assert "new_in_catchment" not in codes(first)
    take(first, fresh, "tester")
    frame = placements(placement_id="P7", outcome="caught").assign(
        longitude="-11.2128", latitude="52.6035"
    )
    eel = cells(CATCHES).iloc[[0]].assign(placement_id="P7", species="Anguilla anguilla")
    assert "new_in_catchment" in codes(checked(fresh, frame, eel))
    loach = eel.assign(species="Barbatula barbatula")
    assert "new_in_catchment" not in codes(checked(fresh, frame, loach))


def test_lengths_outside_the_range_of_the_species_are_flagged(store):
    lengths = pd.DataFrame(
        {
            "placement_id": "P1",
            "species": ["Barbatula barbatula"] * 3,
            "length_mm": ["151", "15", "74"],
        }
    )
    result = checked(store, cells(PLACEMENTS), cells(CATCHES), lengths)
    flagged = result.flagged.query("code == 'length_outside_range'")
    assert flagged["row"].tolist() == [2]
    assert "15 to 150 mm" in flagged["message"].iloc[0]


def test_the_same_content_again_is_unchanged_and_other_content_refused(fresh):
    result = checked(fresh, cells(PLACEMENTS), cells(CATCHES))
    take(result, fresh, "tester")
    again = checked(fresh, cells(PLACEMENTS), cells(CATCHES).iloc[::-1])
    assert again.unchanged == ("P1", "P2")
    assert take(again, fresh, "tester") is None
    other = checked(fresh, cells(PLACEMENTS), cells(CATCHES).assign(count="4"))
    assert "other content" in only_fault(other, "placement_id").remedy
    edited = sheets_from_frames(
        {"placements": cells(PLACEMENTS).iloc[[0]], "catches": cells(CATCHES).assign(count="4")}
    )
    assert check(edited, fresh, replaces="P1", now=NOW).records is not None
    late = checked(fresh, placements(placement_id="P5"), cells(CATCHES))
    assert {fault.column for fault in late.refused} == {"placement_id"}
    assert "in the store already" in late.refused[0].remedy


def test_a_check_that_has_grown_old_does_not_overwrite(fresh):
    """Somebody else stored the same id between check and taking: nothing is stored twice."""
    one = checked(fresh, cells(PLACEMENTS), cells(CATCHES))
    two = checked(fresh, cells(PLACEMENTS).assign(notes="other"), cells(CATCHES))
    take(one, fresh, "first")
    with pytest.raises(ConflictError):
        take(two, fresh, "second")
    assert fresh.records(Selection()).placements["notes"].isna().all()


def test_text_is_kept_as_written(fresh):
    """Long notes, markup and formulas are text like any other."""
    long = "n" * 10_000
    script = "<script>alert('x')</script>"
    frame = placements(
        notes=[long, script, "=1+1"], bait=script, crew=script, site=script, permit=script
    )
    take(checked(fresh, frame), fresh, "tester")
    stored = fresh.records(Selection()).placements
    assert stored["notes"].tolist() == [long, script, "=1+1"]
    assert set(stored["crew"]) == {script} == set(stored["site"]) == set(stored["bait"])


def test_digest_does_not_depend_on_order_of_rows_or_columns(store):
    """Content decides, and a swap of two values between catch rows is other content."""
    base = checked(store, cells(PLACEMENTS), cells(CATCHES)).digests
    shuffled = cells(PLACEMENTS).iloc[::-1, ::-1]
    again = checked(store, shuffled, cells(CATCHES).iloc[::-1]).digests
    pd.testing.assert_series_equal(base.sort_index(), again.sort_index())
    swapped = cells(CATCHES).assign(count=["20", "3"])
    assert checked(store, cells(PLACEMENTS), swapped).digests["P1"] != base["P1"]
    assert checked(store, cells(PLACEMENTS), swapped).digests["P2"] == base["P2"]
