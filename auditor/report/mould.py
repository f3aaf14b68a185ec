"""Charts cast from a mould: one Bokeh document per kind of chart, filled with data many times over.

Bokeh checks every property of every model, which costs a tenth of a second per chart; an archive
with 200 lenses has hundreds. So each kind of chart is built once, with named parts, and `fill` puts
the data of one lens or body into a copy of its JSON.

A chart holds no text that came out of a file: names stand beside it in the page, where they are
escaped, and Bokeh's own markup (mathematics, fields in tooltips) never meets them. Every chart has
one invisible layer of targets, whose column `key` says which row of the profile a point is; the page
listens to it for clicks and arrow keys. `head`, `says` and `behind` put the point into words.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from functools import cache, wraps
from typing import Any, Final, Literal

from bokeh.embed import json_item
from bokeh.models import ColumnDataSource, FixedTicker, HoverTool, Range1d, TapTool
from bokeh.models.annotations import Span
from bokeh.plotting import figure

from auditor.report import palette

__all__ = [
    "FONT",
    "TARGET_COLUMNS",
    "as_map",
    "base_figure",
    "cast",
    "fill",
    "once",
    "ruled_line",
    "source",
    "target_data",
    "targets",
]

FONT: Final = "ui-sans-serif, system-ui, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"
TARGET_COLUMNS: Final = ("x", "y", "key", "series", "head", "says", "behind")
_TOOLTIP = '<div class="tip"><b>@head</b><br>@says<br><span>@behind</span></div>'
HEIGHT_PX: Final = 320
_LOCK: Final = threading.RLock()

Mould = Callable[[], dict[str, Any]]


def once(build: Mould) -> Mould:
    """`build`, run at its first call only; moulds may be asked for from several threads."""
    kept = cache(build)

    @wraps(build)
    def built() -> dict[str, Any]:
        with _LOCK:  # Bokeh has one current document
            return kept()

    return built


def base_figure(y_label: str, x_label: str, **more: Any) -> Any:
    """An empty chart in the page's own style; ranges and tickers have names to be filled."""
    plot = figure(
        height=HEIGHT_PX,
        sizing_mode="stretch_width",
        x_range=Range1d(start=0, end=1, name="x_range"),
        y_range=Range1d(start=0, end=1, name="y_range"),
        toolbar_location=None,
        tools="",
        background_fill_color=palette.light("sheet"),
        border_fill_color=palette.light("sheet"),
        outline_line_color=None,
        min_border_right=14,
        **more,
    )
    for axis, name, label in ((plot.xaxis, "x", x_label), (plot.yaxis, "y", y_label)):
        axis.name = f"{name}_axis"
        axis.axis_label = label
        axis.axis_line_color = axis.major_tick_line_color = palette.light("line")
        axis.minor_tick_line_color = None
        axis.major_label_text_color = axis.axis_label_text_color = palette.light("quiet")
        axis.major_label_text_font = axis.axis_label_text_font = FONT
        axis.major_label_text_font_size, axis.axis_label_text_font_size = "12px", "12px"
        axis.axis_label_text_font_style = "normal"
    plot.xgrid.grid_line_color = plot.ygrid.grid_line_color = palette.light("sunk")
    return plot


def ticks(axis: Any, name: str) -> None:
    axis.ticker = FixedTicker(ticks=[0], name=name)


def source(name: str, columns: tuple[str, ...]) -> ColumnDataSource:
    return ColumnDataSource({c: [] for c in columns}, name=name)


def target_data(points: Sequence[tuple[Any, ...]]) -> dict[str, list[Any]]:
    """Points, each with a value for every one of `TARGET_COLUMNS`, as the columns of a source."""
    return {name: [point[i] for point in points] for i, name in enumerate(TARGET_COLUMNS)}


def targets(plot: Any) -> None:
    """The invisible layer that is hovered, clicked and walked through with the arrow keys."""
    data = source("targets", TARGET_COLUMNS)
    layer = plot.scatter("x", "y", size=22, source=data, fill_alpha=0, line_alpha=0)
    ring = {
        "fill_alpha": 0,
        "line_alpha": 1,
        "line_width": 2.5,
        "line_color": palette.light("index"),
    }
    layer.selection_glyph = layer.glyph.clone(**ring)
    layer.nonselection_glyph = layer.glyph.clone()
    plot.add_tools(
        HoverTool(renderers=[layer], tooltips=_TOOLTIP, point_policy="snap_to_data"),
        TapTool(renderers=[layer]),
    )


def ruled_line(plot: Any, name: str, dimension: Literal["width", "height"]) -> None:
    """A thin index line across the chart; hidden until filled."""
    plot.add_layout(
        Span(
            name=name, location=0, dimension=dimension, line_color=palette.light("index"),
            line_dash="dotdash", line_width=1.3, level="underlay", visible=False,
        )
    )  # fmt: skip


def cast(plot: Any) -> dict[str, Any]:
    """The finished mould: the JSON item of the chart."""
    return json_item(plot)  # type: ignore[return-value]


def as_map(values: Mapping[Any, Any]) -> dict[str, Any]:
    """A mapping in the form in which Bokeh's JSON holds it."""
    return {"type": "map", "entries": [[k, v] for k, v in values.items()]}


def fill(mould: Any, values: Mapping[str, Mapping[str, Any]], copy_name: str) -> Any:
    """A copy of the mould with the attributes of its named parts set.

    `values` is part's name -> attribute -> plain JSON value; a mapping becomes a Bokeh map.
    `copy_name` makes the copy's model ids its own. Raises KeyError for a part the mould has not.
    """
    left = set(values)
    out = _copy(mould, values, left, copy_name)
    if left:
        raise KeyError(f"the chart has no part named {', '.join(sorted(left))}")
    return out


def _copy(node: Any, values: Mapping[str, Mapping[str, Any]], left: set[str], suffix: str) -> Any:
    if isinstance(node, list):
        return [_copy(v, values, left, suffix) for v in node]
    if not isinstance(node, dict):
        return node
    out = {k: _copy(v, values, left, suffix) for k, v in node.items()}
    for key in ("id", "root_id", "target_id"):
        if isinstance(out.get(key), str):
            out[key] = f"{out[key]}-{suffix}"
    attributes = out.get("attributes")
    name = attributes.get("name") if isinstance(attributes, dict) else None
    if isinstance(attributes, dict) and isinstance(name, str) and name in values:
        left.discard(name)
        for key, value in values[name].items():
            attributes[key] = as_map(value) if isinstance(value, Mapping) else value
    return out
