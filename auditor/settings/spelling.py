"""One spelling for every name of a table."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

__all__ = ["one_spelling"]


def one_spelling(names: pd.Series, key: Callable[[str], str]) -> pd.Series:
    """Names with the same key get the spelling that most frames have.

    Between equally frequent ones that with small letters, then the shorter, then the first by
    alphabet: the choice does not depend on the order of frames.
    """
    counts = names.dropna().value_counts()
    chosen: dict[str, tuple[tuple[int, bool, int, str], str]] = {}
    keys = {name: key(name) for name in counts.index}
    for name, count in counts.items():
        text = str(name)
        rank = (-int(count), text.isupper(), len(text), text)
        group = keys[text]
        if group not in chosen or rank < chosen[group][0]:
            chosen[group] = (rank, text)
    mapping = {name: chosen[group][1] for name, group in keys.items()}
    return names.map(mapping).astype("object").where(names.notna(), None)
