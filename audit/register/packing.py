"""How a register keeps what task records say: a Parquet file for some of them, with their digests beside it."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from audit.intake.words import words_in
from audit.register.digests import Bytes, record_digests


class Damaged(Exception):
    """What can't be read of a register that the database itself finds sound, in words that go on from its name."""


@dataclass(frozen=True, eq=False)
class Kept:
    """What is kept of some records: their digests, a row for each, and what they say."""

    digests: Bytes
    contents: bytes


def kept_of(tasks: pd.DataFrame) -> Kept:
    """What a register keeps of task records (canonical columns)."""
    said = pa.Table.from_pandas(tasks, preserve_index=False).replace_schema_metadata(None)
    # Without Arrow's schema words are read again as text.
    return Kept(record_digests(tasks), packed(said, use_dictionary=words_in(tasks), store_schema=False))


def packed(table: pa.Table, **options: Any) -> bytes:
    """A table as a Parquet file; `options` are those of the writer."""
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd", write_statistics=False, write_page_checksum=True, **options)
    return out.getvalue()


def table_of(file: bytes, words: Sequence[str] = ()) -> pa.Table:
    """The table of a Parquet file, columns of `words` as dictionaries."""
    return pq.read_table(io.BytesIO(file), read_dictionary=words, page_checksum_verification=True)


def unpacked_cells(contents: bytes, words: Sequence[str] = ()) -> pd.DataFrame:
    """What records say, columns of `words` as categories; counts stay whole numbers where some are missing."""
    with refusing_damage():
        frame: pd.DataFrame = table_of(contents, words).to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)
    return frame


@contextmanager
def refusing_damage() -> Iterator[None]:
    """Turn what the libraries raise about bytes that are not what was kept into Damaged."""
    try:
        yield
    except (pa.ArrowException, OSError, ValueError, LookupError) as error:
        raise Damaged("what it keeps of task records can't be read") from error
