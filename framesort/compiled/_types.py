"""Types of arguments as JSON, so that a list of signatures can be kept."""

import importlib
from typing import Any

__all__ = ["describe_type", "make_type"]


def describe_type(kind: Any) -> Any:
    """A numba type as lists and strings.

    Numbers are strings; else a list: what it is, then its parts.

    Raises
    ------
    TypeError
        The type is none of numbers, arrays, records, tuples and named tuples.
    """
    from numba import types
    from numba.np.numpy_support import as_dtype

    if isinstance(kind, types.Array):
        flags = [] if kind.mutable else ["readonly"]
        flags += [] if kind.aligned else ["unaligned"]
        return ["array", describe_type(kind.dtype), kind.ndim, kind.layout, *flags]
    if isinstance(kind, types.Record):
        return ["struct", [[name, form] for name, form, *_ in as_dtype(kind).descr]]
    if isinstance(kind, types.BaseTuple):
        several: Any = kind
        parts = [describe_type(part) for part in several]
        if not isinstance(kind, types.BaseNamedTuple):
            return ["tuple", *parts]
        made = several.instance_class
        return ["named", f"{made.__module__}:{made.__qualname__}", *parts]
    if isinstance(kind, types.Number | types.Boolean) and hasattr(types, kind.name):
        return kind.name
    raise TypeError(f"{kind} has no description")


def make_type(described: Any) -> Any:
    """The numba type that `describe_type` described."""
    import numpy as np
    from numba import from_dtype, types

    if isinstance(described, str):
        return getattr(types, described)
    what, *parts = described
    if what == "array":
        content, ndim, layout, *flags = parts
        return types.Array(
            make_type(content),
            ndim,
            layout,
            readonly="readonly" in flags,
            aligned="unaligned" not in flags,
        )
    if what == "struct":
        return from_dtype(np.dtype([(name, form) for name, form in parts[0]]))
    made = None
    if what == "named":
        module, name = parts.pop(0).split(":")
        made = getattr(importlib.import_module(module), name)
    make_tuple: Any = types.BaseTuple.from_types
    return make_tuple([make_type(part) for part in parts], made)
