"""The plan of a test night as files: all of them or none."""

import io
from contextlib import ExitStack
from pathlib import Path

from framesort.errors import OutputError
from framesort.files import StrPath, json_text, open_whole
from framesort.planning._experiment import ExperimentPlan
from framesort.planning._test_text import format_checklist

__all__ = ["write_experiment"]


def write_experiment(
    plan: ExperimentPlan, folder: StrPath, *, overwrite: bool = False
) -> list[Path]:
    """Write ``experiment.csv``, ``experiment.ecsv``, ``experiment.json`` and ``checklist.txt``.

    Parameters
    ----------
    plan : ExperimentPlan
        From `plan_experiment`.
    folder : path
        Folder; made where it does not exist. Other files in it are not touched.
    overwrite : bool
        Replace existing files of these names.

    Returns
    -------
    list of `~pathlib.Path`
        The files.

    Raises
    ------
    OutputError
        A file exists and `overwrite` is false, or the folder cannot be written; then none of
        them is new.
    """
    texts = {"checklist.txt": format_checklist(plan), "experiment.json": json_text(plan.as_dict())}
    for suffix in ("csv", "ecsv"):
        text = io.StringIO()
        plan.table.write(text, format=f"ascii.{suffix}")
        texts[f"experiment.{suffix}"] = text.getvalue()
    paths = [Path(folder) / name for name in sorted(texts)]
    for path in paths:
        if path.exists() and not overwrite:
            raise OutputError(f"{path} exists already; give --overwrite to replace it")
    with ExitStack() as stack:
        # Each appears under its name when the block ends, after all of them are written.
        for path in paths:
            stream = stack.enter_context(open_whole(path, overwrite=overwrite))
            stream.write(texts[path.name].rstrip("\n").encode() + b"\n")
            stream.flush()
    return paths
