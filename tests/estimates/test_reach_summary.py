"""What was recorded on each reach, by hand and against plain loops."""

import numpy as np
import pandas as pd
import pytest
import shapely

from layers.errors import CrsError, FrameError
from layers.estimates.reach_summary import placement_reaches, reach_summary
from layers.network.graph import build_network
from layers.network.snapping import snap_to_reaches
from tests.sampling_frames import placements_of

NO_STRETCHES = pd.DataFrame({"placement_id": [], "reach_id": [], "from_m": [], "to_m": []})
NO_CATCHES = pd.DataFrame({"placement_id": [], "species": [], "count": [], "count_kind": []})


@pytest.fixture
def network(drawn_reaches):
    return build_network(drawn_reaches)


@pytest.fixture
def parts(network):
    return pd.DataFrame(
        {
            "reach_id": ["R1", "R1", "R4"],
            "from_m": [0.0, 200.0, 0.0],
            "to_m": [200.0, 500.0, 500.0],
            "catchment_id": ["Upper", "Lower", "Upper"],
        }
    )


def records(network):
    """Four placements: two nets and a lost trap on R1, one trap far from any reach."""
    placements = placements_of(
        [
            {
                "placement_id": "A",
                "method": "kick_net",
                "set_at": "2024-06-10T23:30Z",
                "outcome": "caught",
            },
            {
                "placement_id": "B",
                "method": "kick_net",
                "set_at": "2025-06-10T10:00Z",
                "outcome": "nil",
            },
            {
                "placement_id": "C",
                "method": "minnow_trap",
                "set_at": "2025-07-01T18:00Z",
                "outcome": "lost",
            },
            {
                "placement_id": "D",
                "method": "minnow_trap",
                "set_at": "2025-07-01T18:00Z",
                "outcome": "caught",
            },
        ],
        zone="Europe/Dublin",
    )
    xy = np.array([[10, 400], [-5, 300], [3, 100], [5000, 5000]]) + np.array([500_000, 6_000_000])
    placements = placements.set_crs(network.crs, allow_override=True).set_geometry(
        shapely.points(xy), crs=network.crs
    )
    ids = placements.index.tolist()
    catches = pd.DataFrame(
        {
            "placement_id": [ids[0], ids[0], ids[0], ids[3]],
            "species": ["Salmo trutta", "Cottus gobio", "Esox lucius", "Esox lucius"],
            "count": [3, np.nan, 0, 4],
            "count_kind": ["exact", "present", "exact", "exact"],
        }
    )
    stretches = pd.DataFrame(
        {
            "placement_id": [ids[0], ids[1], ids[1], ids[2]],
            "reach_id": ["R1", "R1", "R3", "R1"],
            "from_m": [0.0, 100.0, 200.0, 300.0],
            "to_m": [120.0, 220.0, 250.0, 500.0],
        }
    )
    return placements, catches, stretches


def test_one_reach_by_hand(network, parts):
    """Two nets overlapping by 20 m, a lost trap that does not count as sampling."""
    placements, catches, stretches = records(network)
    snaps = snap_to_reaches(placements, network)
    effort = pd.DataFrame(
        {"placement_id": placements.index[:2], "effort": [2.0, 3.0], "effort_unit": "lift"}
    )
    found = reach_summary(
        network, snaps, placements, catches, stretches, parts, effort=effort
    ).set_index("reach_id")
    assert found.index.tolist() == ["R1", "R3"]
    row = found.loc["R1"]
    assert row["catchment"] == "Lower"
    assert (row["placements"], row["placements_unusable"]) == (3, 1)
    assert row["methods"] == "kick_net;minnow_trap"
    assert row["by_method"] == "kick_net: 2 placements, 5 lift; minnow_trap: 1 placement"
    assert row["species"] == "Cottus gobio;Salmo trutta"
    assert row["individuals"] == 4
    assert row["individuals_lower_bound"]
    # 23:30 UTC on 10 June is already the 11th in Dublin.
    assert str(row["first_date"].date()) == "2024-06-11"
    assert str(row["last_date"].date()) == "2025-07-01"
    assert row["sampled_length_m"] == pytest.approx(220)
    assert row["sampled_fraction"] == pytest.approx(0.44)
    assert found.loc["R3", "sampled_length_m"] == pytest.approx(50)
    assert found.loc["R3", "placements"] == 0
    assert pd.isna(found.loc["R3", "first_date"])
    assert found.attrs["inputs"]["left_out"] == {"no reach within tolerance": 1}


def test_every_reach_and_no_records(network, parts):
    """Nothing recorded gives no row, or zeros for every reach when asked."""
    placements, _, _ = records(network)
    snaps = snap_to_reaches(placements, network)
    none = placements.iloc[:0]
    assert len(reach_summary(network, snaps.iloc[:0], none, NO_CATCHES, NO_STRETCHES, parts)) == 0
    whole = reach_summary(
        network, snaps, placements, NO_CATCHES, NO_STRETCHES, parts, every_reach=True
    )
    assert len(whole) == 12
    assert whole["placements"].sum() == 3
    assert whole["sampled_length_m"].sum() == 0
    assert (whole.loc[whole["placements"] == 0, "methods"] == "").all()


def test_many_records_agree_with_a_plain_loop(network, parts):
    """Random placements and catches, row by row."""
    rng = np.random.default_rng(3)
    n = 120
    placements = placements_of(
        [
            {"placement_id": f"P{k}", "method": str(rng.choice(["kick_net", "fyke_net"]))}
            for k in range(n)
        ]
    )
    ids = network.reaches.index.to_numpy(object)
    snaps = pd.DataFrame({"reach_id": rng.choice(ids[:5], n)}, index=placements.index)
    catches = pd.DataFrame(
        {
            "placement_id": rng.choice(placements.index, 300),
            "species": rng.choice(["Phoxinus phoxinus", "Perca fluviatilis"], 300),
            "count": rng.integers(0, 5, 300).astype(float),
            "count_kind": rng.choice(["exact", "at_least"], 300),
        }
    )
    placements = placements.set_crs(network.crs, allow_override=True)
    found = reach_summary(network, snaps, placements, catches, NO_STRETCHES, parts)
    for _, row in found.iterrows():
        on = snaps.index[snaps["reach_id"] == row["reach_id"]]
        caught = catches[catches["placement_id"].isin(on) & (catches["count"] > 0)]
        assert row["placements"] == len(on)
        assert row["individuals"] == caught["count"].sum()
        assert row["species"] == ";".join(sorted(set(caught["species"])))
        assert row["methods"] == ";".join(sorted(set(placements.loc[on, "method"])))
        assert row["individuals_lower_bound"] == (caught["count_kind"] == "at_least").any()
    assert found["placements"].sum() == n


def test_placement_reaches_gives_every_placement(network):
    """In order, with degrees on WGS 84; unsnapped ones are missing, not dropped."""
    placements, _, _ = records(network)
    snaps = snap_to_reaches(placements, network)
    found = placement_reaches(placements, snaps)
    assert found.columns.tolist() == [
        "placement_id", "method", "reach_id", "measure_m", "offset_m", "ambiguous",
        "ambiguous_with", "snapped_longitude", "snapped_latitude", "geometry",
    ]  # fmt: skip
    assert found["placement_id"].tolist() == placements.index.tolist()
    assert found["reach_id"].isna().tolist() == [False, False, False, True]
    assert found["measure_m"].tolist()[:3] == pytest.approx([100, 200, 400])
    degrees = found.geometry[:3].to_crs("EPSG:4326")
    assert found["snapped_longitude"].to_numpy()[:3] == pytest.approx(degrees.x.to_numpy())
    assert found["snapped_latitude"].to_numpy()[:3] == pytest.approx(degrees.y.to_numpy())
    assert np.isnan(found["snapped_latitude"][3])


def test_frames_outside_the_contract_are_refused(network, parts):
    """A missing column or another CRS is named."""
    placements, catches, stretches = records(network)
    snaps = snap_to_reaches(placements, network)
    with pytest.raises(FrameError, match="outcome"):
        reach_summary(network, snaps, placements.drop(columns="outcome"), catches, stretches, parts)
    other = placements.set_crs("EPSG:25829", allow_override=True)
    with pytest.raises(CrsError, match="placements and network"):
        reach_summary(network, snaps, other, catches, stretches, parts)
