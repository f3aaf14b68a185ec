"""The colours of the page and of its charts, by day and by night.

Each name has a colour on light and one on dark ground. Marks that must be distinguished also differ in
shape or dash (the page's style sheet); that their colours stay apart for colour-blind readers is
tested with the dichromacy simulation of Machado, Oliveira and Fernandes (IEEE TVCG 15(6), 2009).
"""

from __future__ import annotations

from typing import Final

COLOURS: Final[dict[str, tuple[str, str]]] = {
    "ground": ("#f1f2f1", "#171a1c"),
    "sheet": ("#fbfcfb", "#1f2326"),
    "sunk": ("#e6e9e8", "#2a2f33"),
    "ink": ("#1c2226", "#e7eae8"),
    "quiet": ("#586067", "#a4adb1"),
    "line": ("#ccd2d2", "#3b4247"),
    "index": ("#a8431a", "#f0925e"),
    "link": ("#1d5673", "#8cc3e0"),
    "centre": ("#17506e", "#6db8e0"),
    "middle": ("#7f8a91", "#98a2a8"),
    "corner": ("#c9721f", "#f0a04f"),
    "pin_sharp": ("#4787a8", "#3f7f9f"),
    "acceptable": ("#a6c6d6", "#2d4a59"),
    "tone_deep": ("#5a49b0", "#8a63a6"),
    "tone_shadow": ("#a8467a", "#c177a5"),
    "tone_mid": ("#17202a", "#f4f6f5"),
    "tone_high": ("#a87412", "#e6bb5a"),
    "on_strip": ("#fdfefe", "#0d1113"),
    "on_pale": ("#12303f", "#dcecf4"),
}
"""Name -> (on light ground, on dark ground)."""

TONE_NAMES: Final = ("tone_deep", "tone_shadow", "tone_mid", "tone_high")


def css_variables(night: bool) -> str:
    """CSS custom properties, one per colour."""
    return "".join(f"--{name.replace('_', '-')}:{pair[night]};" for name, pair in COLOURS.items())
