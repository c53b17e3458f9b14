"""Checksums of FITS files."""

from typing import IO

import numpy as np

from framesort.errors import FrameError
from framesort.files._content import open_content
from framesort.files._fits import drop_unreadable, in_order, open_fits
from framesort.files._scan import unpacked
from framesort.files._text import StrPath

__all__ = ["verify_sums"]


def verify_sums(path: StrPath) -> bool:
    """Whether the image's HDU agrees with the CHECKSUM and DATASUM in its header.

    True also where there are none. Sums in ones' complement of 32-bit words: FITS standard 4.0,
    section 4.4.2.7 and appendix J. For a tile-compressed image they are those of the packed
    bytes.

    Raises
    ------
    FrameError
        The file cannot be read.
    """
    try:
        with open_fits(path, unpack=False) as hdus:
            for hdu in in_order(hdus):
                header = drop_unreadable(hdu.header)
                if header.get("NAXIS", 0) >= 2 and (hdu.is_image or "ZIMAGE" in header):
                    break
            else:
                return True
            sums = {key: str(header.get(key, "")).strip() for key in ("CHECKSUM", "DATASUM")}
            place = hdu.fileinfo()
        # All zeros stand for a sum that was not computed.
        sums = {key: text for key, text in sums.items() if text.strip("0") or text == "0"}
        if not sums:
            return True
        with open_content(path) as raw:
            stream = unpacked(raw)
            stream.seek(place["hdrLoc"])
            of_header = _sum_words(stream, place["datLoc"] - place["hdrLoc"])
            of_data = _sum_words(stream, place["datSpan"])
        if "DATASUM" in sums and int(sums["DATASUM"]) != of_data:
            return False
        return "CHECKSUM" not in sums or _fold(of_header + of_data) in (0, 0xFFFFFFFF)
    except ValueError:  # DATASUM is no number
        return False
    except Exception as error:  # any damage to a file surfaces here
        raise FrameError(f"{path}: cannot be read as FITS ({error})") from error


def _sum_words(stream: IO[bytes], size: int) -> int:
    total = 0
    while size > 0:
        block = stream.read(min(size, 1 << 23))
        if not block:
            raise FrameError("truncated")
        size -= len(block)
        words = np.frombuffer(block[: len(block) // 4 * 4], dtype=">u4")
        total = _fold(total + int(words.sum(dtype=np.uint64)))
    return total


def _fold(total: int) -> int:
    """Carry what is above 32 bits around, as sums in ones' complement do."""
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total
