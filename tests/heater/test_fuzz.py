"""Whatever is handed in, a log gives a trace or one sentence, never anything else."""

import warnings

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from framesort.errors import HeaterLogError, HeaterLogWarning
from framesort.heater import FORMS, LogOptions, read_heater_log

PIECES = (
    '2024-03-14T18:00:00Z|03/04/2024 6:21 PM|1710439200|30|on|off|,|;|\t|\n|\n|"|12:30:00|'
    "heater power|time|amps|from|to|local time|1e308|-5|nan|1e400|20240314 180000|60%|0.5|"
    "2024-02-30 10:00:00|٣|\x00|MJD|60000|#|99999999999999999999|2024-10-27 02:30:00"
).split("|")
TEXT = st.lists(st.sampled_from(PIECES), max_size=40).map(lambda parts: "".join(parts).encode())


@settings(
    max_examples=250,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    data=st.one_of(st.binary(max_size=300), TEXT),
    form=st.sampled_from(FORMS),
    zone=st.sampled_from([None, "Europe/Berlin", "-07:00"]),
)
def test_any_bytes(tmp_path, data, form, zone):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", HeaterLogWarning)
        try:
            trace = read_heater_log(
                path, LogOptions(form=form, zone=zone, start="2024-03-14T18:00:00")
            )
        except HeaterLogError as error:
            assert "\n" not in str(error)
            return
    known = trace.power[np.isfinite(trace.power)]
    assert np.all((known >= 0) & (known <= 100))
    assert np.all(np.diff(trace.edges) > 0)
