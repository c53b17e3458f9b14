"""Compiled loops: all that a run needs are compiled once, side by side, before its workers start.

numba compiles a function when it is first called and keeps the machine code on disk. Left to
itself, every worker of the first run compiles the same functions, one after the other.
"""

from framesort.compiled._compile import COMPILING, compile_loops
from framesort.compiled._options import loop, part
from framesort.compiled._record import LoopRecord, record_loops

__all__ = ["COMPILING", "LoopRecord", "compile_loops", "loop", "part", "record_loops"]
