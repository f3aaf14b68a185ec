"""One lens, body, comparison or table that fails costs itself alone, and is named."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from command import call

from auditor.infer import profile as profile_module
from auditor.infer import verdicts as verdicts_module
from auditor.report import page as page_module
from auditor.report import tables as tables_module
from auditor.report.write import render_alone
from auditor.store import Store

Row = dict[str, Any]


def row(path: str, lens: str, body: str, **more: Any) -> Row:
    own = {"status": "measured", "file_id": path, "body": body, "lens": lens}
    light = {"f_number": 8.0, "iso": 100.0, "exposure_time_s": 0.01, "source": "camera"}
    noise = {"sigma_code8": 1.0, "tone_18000_sigma": 0.01, "tone_18000_pixels": 5000}
    return {"path": path, "taken": "2024-05-01T06:00:00"} | own | light | noise | more


@pytest.fixture
def out(tmp_path: Path) -> Path:
    rows = [row(f"/p/{n}.jpg", "Tarn 35mm", "Alder One") for n in range(4)]
    rows += [row(f"/p/b{n}.jpg", "Mere 85mm", "Birch Two") for n in range(4)]
    with Store(tmp_path / "out" / "store") as store:
        store.append(rows)
    return tmp_path / "out"


def made(out: Path) -> Any:
    done = call("profile", "--out", out)
    assert done.exit_code == 0, done.output
    assert "Traceback" not in done.output
    return json.loads((out / "profile.json").read_text())


def test_bodies_used_at_impossible_iso_values_only_deny_nobody_a_report(out: Path) -> None:
    values = (0.0, 1.0, 10.0, 1e6, 4e9, float("inf"), float("nan"), -100.0)
    for n, iso in enumerate(values):
        with Store(out / "store") as store:
            store.append([row(f"/p/x{n}.jpg", "Mere 85mm", f"Elm {n}", iso=iso)])
    profile = made(out)
    assert profile["faults"] == []
    assert {f"Elm {n}" for n in range(len(values))} <= {b["body"] for b in profile["bodies"]}


def test_a_body_of_which_no_tone_is_known_is_asked_for_test_frames() -> None:
    from auditor.infer.next_shots.series import body_requests

    band = {"band": "shade", "frames": 3, "usable_iso": {"excellent": None}}
    band["usable_iso_detail"] = {"excellent": {"low": None, "high": None, "reason": None}}
    body = {"body": "Elm Three", "frames": 3, "kind": "camera", "tones": [], "other_kinds": []}
    ((request, _),) = body_requests([body | {"brightness": [band]}])
    assert request["body"] == "Elm Three"
    assert request["iso"] == [100, 400, 1600, 6400]


@pytest.mark.parametrize(
    ("stage", "name", "part"),
    [
        ("infer_lenses", "sharpness", "lens Tarn 35mm"),
        ("fit_bodies", "noise", "body Alder One"),
        ("judge_frames", "keepers", "lens Tarn 35mm"),
        ("compare_labels", "comparisons", "lens Tarn 35mm"),
    ],
)
def test_a_lens_or_body_that_breaks_a_stage_is_left_out_of_that_stage_alone(
    out: Path, monkeypatch: pytest.MonkeyPatch, stage: str, name: str, part: str
) -> None:
    where = verdicts_module if hasattr(verdicts_module, stage) else profile_module
    true = getattr(where, stage)
    kind, culprit = part.split(" ", 1)

    def breaks(frames: pd.DataFrame, *args: Any, **more: Any) -> Any:
        if (frames[kind] == culprit).any():
            raise IndexError("list index\nout of range")
        return true(frames, *args, **more)

    monkeypatch.setattr(where, stage, breaks)
    profile = made(out)
    fault = {"part": part, "stage": name, "error": "IndexError: list index out of range"}
    assert profile["faults"] == [fault]
    lenses = {e["lens"] for e in profile["lenses"]}
    bodies = {b["body"] for b in profile["bodies"]}
    assert lenses == ({"Mere 85mm"} if stage == "infer_lenses" else {"Tarn 35mm", "Mere 85mm"})
    assert bodies == ({"Birch Two"} if stage == "fit_bodies" else {"Alder One", "Birch Two"})
    page = (out / "report.html").read_text()
    assert "Left out" in page
    assert f"<bdi>{part}</bdi>: {name}" in page
    assert any(part in n for n in profile["notices"])
    assert "IndexError" in (out / "store" / "log.txt").read_text()


def test_a_stage_that_fails_whatever_is_left_out_costs_the_stage(
    out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(*args: Any, **more: Any) -> Any:
        raise ZeroDivisionError("division by zero")

    for stage in ("compare_labels", "next_shots", "settings_to_avoid", "open_note"):
        monkeypatch.setattr(profile_module, stage, breaks)
    profile = made(out)
    assert {f["stage"] for f in profile["faults"]} == {
        "comparisons",
        "settings",
        "what to shoot next",
    }
    assert len(profile["lenses"]) == len(profile["bodies"]) == 2


def test_a_lens_that_the_page_cannot_show_costs_itself_alone(
    out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    true = page_module._lens_view

    def breaks(lens: Any, *args: Any, **more: Any) -> Any:
        if lens["lens"] == "Tarn 35mm":
            raise KeyError("best")
        return true(lens, *args, **more)

    monkeypatch.setattr(page_module, "_lens_view", breaks)
    made(out)
    page = (out / "report.html").read_text()
    assert "<bdi>lens Tarn 35mm</bdi>: the page" in page
    assert "Mere 85mm" in page


def test_of_a_thousand_frames_that_fell_short_the_one_that_breaks_the_page_is_soon_found() -> None:
    tried = []

    def render(profile: Any) -> str:
        tried.append(1)
        paths = [keeper["path"] for keeper in profile["keepers"]]
        if "/777" in paths:
            raise ZeroDivisionError("impossible figures")
        return " ".join(paths)

    keepers: Any = [{"path": f"/{i}"} for i in range(1000)]
    profile: Any = {"keepers": keepers}
    told = render_alone(render, profile, "the page").split()
    assert told == [f"/{i}" for i in range(1000) if i != 777]
    assert [fault["part"] for fault in profile["faults"]] == ["path /777"]
    assert len(tried) < 30


def test_what_breaks_the_page_without_any_entry_is_no_entrys_fault() -> None:
    def render(profile: Any) -> str:
        raise ZeroDivisionError("impossible figures")

    profile: Any = {"keepers": [{"path": f"/{i}"} for i in range(1000)]}
    with pytest.raises(ZeroDivisionError):
        render_alone(render, profile, "the page")
    assert "faults" not in profile


def test_a_table_that_fails_is_not_there_and_the_others_are(
    out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(profile: Any) -> Any:
        raise TypeError("no list")

    monkeypatch.setattr(tables_module, "_ranges", breaks)
    made(out)
    names = {p.name for p in (out / "tables").iterdir()}
    assert "lens_ranges.csv" not in names
    assert {"lens_sharpness.csv", "keepers.parquet", "next_shots.csv"} <= names


def test_no_cell_of_a_table_begins_as_a_formula(out: Path) -> None:
    """Common practice of spreadsheets, no source: =, +, - and @ begin a formula."""
    lenses = ("=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", " =1", "\t=2")
    with Store(out / "store") as store:
        for number, lens in enumerate(lenses):
            store.append([row(f"/p/f{number}{n}.jpg", lens, f"{lens} One") for n in range(3)])
    made(out)
    names = set()
    for path in (out / "tables").glob("*.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in ("lens", "body"):
            if column in table:
                cells = set(table[column])
                assert not any(c.lstrip()[:1] in {"=", "+", "-", "@"} for c in cells if c)
                names |= cells
    assert {"'" + lens for lens in lenses} <= names
    stored = pd.read_parquet(out / "tables" / "frames.parquet")
    assert set(lenses) <= set(stored["lens"]), "the other form stays true"


def test_names_of_gear_do_not_steer_a_terminal(out: Path) -> None:
    """Characters that turn text around or begin a command, in the names that frames give."""
    odd = "Tarn\u202e\u2066\x1b[31m\x9b2J"
    with Store(out / "store") as store:
        store.append([row(f"/p/t{n}.jpg", odd, odd) for n in range(9)])
    for words in (["profile"], ["list"], ["verify"]):
        done = call(*words, "--out", out)
        assert not set(done.output) & set("\u202e\u2066\x1b\x9b"), words
