"""What is written: profile.json and its schema, tables, page, card."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import made_up
import numpy as np
import pandas as pd
import pytest
from simulated_frames import ArchiveSpec, simulate_frames

from auditor.report.tables import _table, tables
from auditor.report.write import profile_schema, write_profile, write_report

VALIDATOR = jsonschema.Draft202012Validator(profile_schema())


def test_schema_is_one_and_accepts_the_contract_s_profile() -> None:
    jsonschema.Draft202012Validator.check_schema(profile_schema())
    VALIDATOR.validate(made_up.profile())


def test_schema_accepts_what_inference_makes(tmp_path: Path) -> None:
    """A profile inferred from simulated measurements, through the written file."""
    infer = pytest.importorskip("auditor.infer.profile")
    criteria = pytest.importorskip("auditor.infer.criteria")
    frames, _ = simulate_frames(ArchiveSpec(), 1)
    write_profile(infer.build_profile(frames, criteria.Criteria()), tmp_path / "profile.json")
    VALIDATOR.validate(json.loads((tmp_path / "profile.json").read_text("utf-8")))


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("lenses", 0, "focal_ranges", 0, "apertures", 0, "centre", "mtf50_cpp"), 0),
        (("lenses", 0, "focal_ranges", 0, "evidence"), "certain"),
        (("lenses", 0, "focal_ranges", 0, "pin_sharp"), [4]),
        (("frames", "measured"), None),
        (("keepers", 0, "soft"), "yes"),
        (("settings", 0, "soft_share"), 41),
    ],
)
def test_schema_refuses(where: tuple[Any, ...], value: Any) -> None:
    made: Any = made_up.profile()
    node = made
    for key in where[:-1]:
        node = node[key]
    node[where[-1]] = value
    assert not VALIDATOR.is_valid(made)


def test_profile_is_plain_json_with_nulls(tmp_path: Path) -> None:
    odd = {"a": math.nan, "b": np.float32(0.5), "c": np.int64(3), "d": (1, np.inf), "e": pd.NA, "f": pd.NaT,
           "g": np.array([1.0, np.nan]), "h": Path("x"), "i": np.bool_(True), "j": "caf\udce9"}  # fmt: skip
    write_profile(odd, tmp_path / "p.json")
    text = (tmp_path / "p.json").read_text("ascii")
    assert json.loads(text) == {
        "a": None, "b": 0.5, "c": 3, "d": [1, None], "e": None, "f": None, "g": [1.0, None],
        "h": "x", "i": True, "j": "caf\udce9",
    }  # fmt: skip
    assert [p.name for p in tmp_path.iterdir()] == ["p.json"]


def test_tables_hold_every_figure_and_agree_in_both_forms(tmp_path: Path) -> None:
    made = made_up.profile(3)
    write_report(made, None, None, tmp_path)
    for name, table in tables(made).items():
        parquet = pd.read_parquet(tmp_path / "tables" / f"{name}.parquet")
        csv = pd.read_csv(tmp_path / "tables" / f"{name}.csv")
        assert list(parquet.columns) == list(csv.columns) == table.column_names, name
        assert len(parquet) == len(csv) == len(table), name
        for column in parquet.select_dtypes("number"):
            assert np.allclose(parquet[column], csv[column], equal_nan=True), (name, column)
    points = sum(len(p["apertures"]) for x in made["lenses"] for p in x["focal_ranges"])
    assert len(tables(made)["lens_sharpness"]) == 3 * points
    row = pd.read_csv(tmp_path / "tables" / "lens_sharpness.csv").iloc[0]
    first = made["lenses"][0]["focal_ranges"][0]["apertures"][0]
    assert (row["f_number"], row["zone"], row["mtf50_cpp"]) == (
        2.8,
        "centre",
        first["centre"]["mtf50_cpp"],
    )


def test_a_limit_that_is_only_predicted_is_marked_in_its_table() -> None:
    made = made_up.profile(1)
    detail = {"low": 5000, "high": 8000, "predicted": True, "reason": "likely higher still"}
    made["bodies"][0]["brightness"][0]["usable_iso_detail"] = {"acceptable": detail}
    row = tables(made)["body_usable_iso"].to_pylist()[0]
    assert (row["acceptable_predicted"], row["acceptable_reason"]) == (True, "likely higher still")


def test_copies_of_a_lens_are_told_apart_in_the_tables() -> None:
    made: Any = made_up.profile(1)
    (lens,) = made["lenses"]
    made["lenses"] = [lens | {"lens_serial": serial} for serial in ("111", "222")]
    for name in ("lens_sharpness", "lens_ranges"):
        serials = tables(made)[name].column("lens_serial").to_pylist()
        assert {s: serials.count(s) for s in set(serials)} == dict.fromkeys(
            ("111", "222"), len(serials) // 2
        )


def test_unmeasured_is_empty_never_zero(tmp_path: Path) -> None:
    made = made_up.profile(1)
    made["lenses"][0]["focal_ranges"][0]["apertures"][0]["corner"] = None
    made["lenses"][0]["focal_ranges"][0]["sweet_spot"] = None
    write_report(made, None, None, tmp_path)
    zones = pd.read_parquet(tmp_path / "tables" / "lens_sharpness.parquet")
    assert zones.loc[(zones.zone == "corner") & (zones.f_number == 2.8), "mtf50_cpp"].isna().iloc[0]
    assert pd.read_parquet(tmp_path / "tables" / "lens_ranges.parquet")["sweet_spot"].isna().iloc[0]


def test_columns_with_gaps_hold_figures_of_one_type() -> None:
    table = _table([
        {"yes": True, "count": 3, "huge": 2**70},
        {"yes": None, "count": None, "huge": None},
    ])  # fmt: skip
    assert [str(kind) for kind in table.schema.types] == ["bool", "int64", "string"]
    assert table.to_pylist()[0] == {"yes": True, "count": 3, "huge": str(2**70)}


def test_empty_profile_writes_everything_with_heads(tmp_path: Path) -> None:
    write_report({"frames": {"found": 0, "measured": 0, "set_aside": 0}}, None, None, tmp_path)
    assert len(pd.read_csv(tmp_path / "tables" / "keepers.csv")) == 0
    assert "path" in pd.read_parquet(tmp_path / "tables" / "keepers.parquet").columns
    assert "No lens could be judged" in (tmp_path / "report.html").read_text("utf-8")
    assert "Nothing is settled yet" in (tmp_path / "card.html").read_text("utf-8")
