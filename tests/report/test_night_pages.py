"""The report and the preview of a run, made by workers: the same files, also when workers die."""

import multiprocessing

import pytest

from framesort.night._pages import NightPages
from framesort.night._run import NightRun
from framesort.workers import open_executor

PAGES = ("report.html", "preview.png")


def write_pages(folder, executor, cache, *, killed=False):
    others = set(multiprocessing.active_children())
    pages = NightPages(NightRun(executor=executor, cache=cache), folder)
    pages.draw_ahead()
    if killed:
        for process in set(multiprocessing.active_children()) - others:
            process.kill()
    pages.write(preview=True)
    return [(folder / name).read_bytes() for name in PAGES]


@pytest.mark.parametrize(("cached", "killed"), [(True, False), (False, False), (True, True)])
def test_workers_write_the_same_pages(night_writer, tmp_path, cached, killed):
    night = night_writer(tmp_path / "night")
    alone = write_pages(night, None, None)
    with open_executor(2) as pool:
        pool.submit(int).result()
        cache = tmp_path / "cache" if cached else None
        assert write_pages(night, pool, cache, killed=killed) == alone
