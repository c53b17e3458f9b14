"""Loaded first by the server that workers are forked from: it only loads modules."""

import gc

from framesort.workers._garbage import skip_last_search

gc.disable()  # a worker begins to search (`_pool._start_worker`)
skip_last_search()
