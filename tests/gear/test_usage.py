"""Which gear counts as in use: what is new, what was given back, and small cameras of one aperture."""

import numpy as np
import pandas as pd
import pytest

from auditor.gear.gear_file import Chosen
from auditor.gear.usage import gear_in_use
from auditor.report.first_screen import ROLES


def _used(
    frames: int,
    first: str,
    last: str,
    lens: str = "Tarn 35mm",
    body: str = "Alder One",
    focal_mm: float = 35.0,
    f_number: float = 8.0,
) -> pd.DataFrame:
    """Frames spread evenly over some days."""
    taken = pd.date_range(first, last, frames).strftime("%Y-%m-%dT%H:%M:%S")
    fixed = {"body": body, "lens": lens, "converter": None, "iso": 100.0}
    return pd.DataFrame(fixed | {"focal_length_mm": focal_mm, "f_number": f_number, "taken": taken})


def _roles(*used: pd.DataFrame) -> dict[str | None, str]:
    """Lens or body -> role."""
    gear = gear_in_use(pd.concat(used, ignore_index=True), Chosen())
    return {x["body"]: x["role"] for x in gear["bodies"]} | {
        x["lens"]: x["role"] for x in gear["lenses"]
    }


@pytest.mark.parametrize("years_frames", [8000, 200_000])
@pytest.mark.parametrize("bought", ["2024-05-10", "2024-03-20"])
def test_the_newest_lens_and_body_are_in_use_however_many_frames_came_before_them(
    years_frames: int, bought: str
) -> None:
    """Of what was bought weeks before the archive's end nobody knows that it was given back."""
    before = _used(years_frames, "2021-01-01", "2024-05-20")
    lens = _used(600, bought, "2024-06-01", lens="Skarn 24mm")
    assert _roles(before, lens)["Skarn 24mm"] == "in use"
    body = _used(700, bought, "2024-06-01", body="Alder Two")
    assert _roles(before, body)["Alder Two"] == "in use"


@pytest.mark.parametrize(
    ("frames", "archive_ends", "role"),
    [
        (600, "2024-08-01", "borrowed"),  # others are used for two months after it
        (600, "2024-06-20", "in use"),  # for three weeks: it may lie at home
        (20, "2024-06-01", "seldom used"),  # new, but no habit yet
    ],
)
def test_gear_was_borrowed_only_if_the_archive_goes_on_without_it(
    frames: int, archive_ends: str, role: str
) -> None:
    before = _used(20_000, "2021-01-01", archive_ends)
    brief = _used(frames, "2024-05-10", "2024-06-01", lens="Skarn 24mm")
    assert _roles(before, brief)["Skarn 24mm"] == role


def test_a_few_frames_of_a_clock_set_wrong_do_not_give_the_newest_lens_back() -> None:
    before = _used(8000, "2021-01-01", "2024-06-01")
    brief = _used(600, "2024-05-10", "2024-06-01", lens="Skarn 24mm")
    ahead = _used(3, "2034-06-01", "2034-06-01")
    assert _roles(before, brief, ahead)["Skarn 24mm"] == "in use"


def test_a_fisheye_kept_at_one_aperture_is_no_phone() -> None:
    zoom = _used(400, "2024-01-01", "2024-06-01")
    fisheye = _used(200, "2024-01-01", "2024-06-01", lens="Fell 8mm", focal_mm=8.0)
    assert _roles(zoom, fisheye)["Fell 8mm"] == "in use"


@pytest.mark.parametrize(("focal_mm", "f_number"), [(6.7, 1.7), (3.0, 2.8), (4.2, 1.8)])
def test_a_drone_is_not_called_a_phone(focal_mm: float, f_number: float) -> None:
    """Its optics are a phone's: the head under which it stands has to hold of both."""
    flown = _used(500, "2024-01-01", "2024-06-01", "Kite", "Kite One", focal_mm, f_number)
    role = _roles(_used(500, "2024-01-01", "2024-06-01"), flown)["Kite One"]
    assert ROLES[role] == "Phones and other small cameras of one aperture"


def test_a_small_camera_with_several_apertures_is_in_use() -> None:
    small = _used(500, "2024-01-01", "2024-06-01", "Compact", "Pocket", 6.0)
    small["f_number"] = np.resize([2.8, 4.0, 5.6], len(small))
    assert _roles(_used(500, "2024-01-01", "2024-06-01"), small)["Pocket"] == "in use"
