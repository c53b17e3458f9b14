"""Options of a stack by name, put into their records."""

from dataclasses import fields

from framesort.stacking import Execution, FrameValues, StackMethod


def grouped(**options):
    """`noise=2.0, clip=3.0` as `values=FrameValues(noise=2.0), method=StackMethod(clip=3.0)`."""
    made = {}
    for name, kind in (("values", FrameValues), ("method", StackMethod), ("execution", Execution)):
        own = {f.name: options.pop(f.name) for f in fields(kind) if f.name in options}
        made[name] = kind(**own)
    return {**made, **options}
