"""A page that changed on disk is damage, not a file out of reach."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from auditor.store.parts import DamagedPart, list_parts, read_part, write_part


def _one_part(folder: Path) -> tuple[pa.Table, Path]:
    table = pa.table({"number": pa.array(range(5000), pa.int64())})
    folder.mkdir()
    return table, write_part(folder, 0, 0, table, len(table))


def test_a_flipped_byte_in_a_page_is_damage(tmp_path: Path) -> None:
    table, path = _one_part(tmp_path / "pictures")
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 0xFF
    path.write_bytes(content)
    with pytest.raises(DamagedPart) as raised:
        read_part(list_parts(path.parent)[0], table.schema.names, table.schema)
    assert not raised.value.out_of_reach
    assert "verify --mend" in str(raised.value)


def test_a_part_that_is_gone_is_out_of_reach(tmp_path: Path) -> None:
    table, path = _one_part(tmp_path / "pictures")
    part = list_parts(path.parent)[0]
    path.unlink()
    with pytest.raises(DamagedPart) as raised:
        read_part(part, table.schema.names, table.schema)
    assert raised.value.out_of_reach
