"""A file beside the compiled loops that says they are all there; looked at without numba."""

import hashlib
import json
import os
import platform
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import framesort

__all__ = [
    "PACKAGE",
    "loops_there",
    "module_path",
    "shared_folders",
    "stamp_folders",
    "stamp_name",
    "write_stamp",
]

PACKAGE = Path(framesort.__file__).parent


def module_path(module: str) -> Path:
    """Source of a module of this library."""
    return PACKAGE.joinpath(*module.split(".")[1:]).with_suffix(".py")


def _user_folder() -> Path:
    """Where programs keep what they can make again."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def stamp_folders() -> list[Path]:
    """Where a stamp may be, the likeliest first: numba chooses its folder in the same order."""
    given = os.environ.get("NUMBA_CACHE_DIR")
    return [Path(given)] if given else [PACKAGE / "__pycache__", _user_folder() / "framesort"]


def shared_folders() -> list[Path]:
    """Where numba keeps functions that it does not keep beside their sources."""
    given = os.environ.get("NUMBA_CACHE_DIR")
    user = _user_folder() / "numba"
    return [Path(given)] if given else [user, user / "Cache"]


def stamp_name(subpackage: str, modules: Iterable[str]) -> str:
    """Name of the stamp of a subpackage's loops: of this installation, on this processor.

    The files of the sources, the versions of the compiler and of Python, and what the compiler
    would find out about the processor are in it.
    """
    parts: list[object] = [framesort.__version__, sys.implementation.cache_tag, _processor()]
    with suppress(PackageNotFoundError):
        parts += [version("numba"), version("llvmlite")]
    parts += [f"{k}={v}" for k, v in sorted(os.environ.items()) if k.startswith("NUMBA_")]
    for module in modules:
        path = module_path(module)
        parts.append(str(path))
        with suppress(OSError):
            state = path.stat()
            parts += [state.st_mtime_ns, state.st_size]
    digest = hashlib.sha256(json.dumps(parts, default=str).encode()).hexdigest()[:24]
    return f"loops-{subpackage}-{digest}.json"


def _processor() -> str:
    """What tells processors with other instructions apart."""
    with suppress(OSError):
        first = Path("/proc/cpuinfo").read_text().split("\n\n", 1)[0].splitlines()
        names = ("model name", "flags", "Features", "CPU part")
        return platform.machine() + "".join(line for line in first if line.startswith(names))
    return f"{platform.machine()} {platform.processor()}"


def loops_there(name: str) -> bool:
    """Whether a stamp exists, and all the files that it lists."""
    for folder in stamp_folders():
        try:
            files = json.loads((folder / name).read_text())
        except (OSError, ValueError):
            continue
        return all(os.path.exists(file) for file in files)
    return False


def write_stamp(subpackage: str, name: str, files: Sequence[str]) -> None:
    """Write a stamp in the first folder that takes it, in place of older ones there; or nowhere."""
    for folder in stamp_folders():
        with suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            part = folder / f"{name}.{os.getpid()}"
            part.write_text(json.dumps(sorted(files)))
            os.replace(part, folder / name)
            for old in folder.glob(f"loops-{subpackage}-*.json"):
                if old.name != name:
                    old.unlink(missing_ok=True)
            return
