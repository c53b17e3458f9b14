"""Reading pixels and writing results: whole or not at all, and only where they belong."""

from framesort.files._content import hold_content
from framesort.files._fits import (
    drop_unreadable,
    image_hdu,
    named_hdu,
    open_fits,
    read_image,
    reads_by_rows,
)
from framesort.files._kept import KeptValues
from framesort.files._raw import PACKED_SUFFIXES, RAW_SUFFIXES, check_rawpy
from framesort.files._readers import files_read, reader_of
from framesort.files._rows import PlainImage, find_plain_image, read_plain_rows
from framesort.files._scan import PromisedSize, promised_size
from framesort.files._sums import verify_sums
from framesort.files._tables import read_table, write_table
from framesort.files._text import StrPath, json_ready, json_text, safe_name
from framesort.files._write import (
    open_whole,
    remove_leftovers,
    write_fits,
    write_text,
)
from framesort.files._zones import find_zone, offset_seconds

__all__ = [
    "PACKED_SUFFIXES",
    "RAW_SUFFIXES",
    "KeptValues",
    "PlainImage",
    "PromisedSize",
    "StrPath",
    "check_rawpy",
    "drop_unreadable",
    "files_read",
    "find_plain_image",
    "find_zone",
    "hold_content",
    "image_hdu",
    "json_ready",
    "json_text",
    "named_hdu",
    "offset_seconds",
    "open_fits",
    "open_whole",
    "promised_size",
    "read_image",
    "read_plain_rows",
    "read_table",
    "reader_of",
    "reads_by_rows",
    "remove_leftovers",
    "safe_name",
    "verify_sums",
    "write_fits",
    "write_table",
    "write_text",
]
