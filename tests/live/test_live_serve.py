"""The server of the page: who is answered, what is sent, and that it ends."""

import http.client
import json
import re
import socket
import sys
import threading
import time
from contextlib import closing, contextmanager
from urllib.parse import urlsplit

import pytest
from live_statuses import busy_status, hostile_status

from framesort.errors import InputError, OutputError
from framesort.live import LiveStatus, serve_status

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

TOKEN = "a token & more/="


def ask(server, path="/", *, method="GET", **headers):
    """Status, headers and body of an answer."""
    parts = urlsplit(server.url)
    with closing(http.client.HTTPConnection(parts.hostname, parts.port, timeout=20)) as line:
        line.request(method, path, headers={k.replace("_", "-"): v for k, v in headers.items()})
        answer = line.getresponse()
        return answer.status, dict(answer.headers.items()), answer.read().decode()


@contextmanager
def listen(server, path="/events"):
    """The lines of the event stream."""
    parts = urlsplit(server.url)
    with closing(http.client.HTTPConnection(parts.hostname, parts.port, timeout=20)) as line:
        line.request("GET", path)
        with line.getresponse() as answer:
            assert answer.status == 200
            yield answer


def next_status(answer):
    """The parts of the next status in a stream."""
    while (text := answer.readline().decode()) != "":
        if text.startswith("data: {"):
            return json.loads(text.removeprefix("data: "))["parts"]
    return None


@pytest.fixture(scope="module")
def server():
    with serve_status(busy_status) as running:
        yield running


def test_page_and_values(server):
    status, headers, text = ask(server)
    assert status == 200
    assert headers["content-type"].startswith("text/html")
    assert "dew is likely on the corrector plate" in text
    assert 'data-events="events"' in text
    status, headers, text = ask(server, "/status.json")
    assert headers["content-type"].startswith("application/json")
    assert json.loads(text)["minutes"][0]["filter"] == "Ha"
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", server.url)


@pytest.mark.parametrize("path", ["/", "/status.json", "/none"])
def test_answers_are_not_kept_nor_shared(server, path):
    _, headers, _ = ask(server, path, Origin="http://elsewhere.example")
    assert headers["cache-control"] == "no-store"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert not [name for name in headers if name.startswith("access-control")]
    assert "server" not in headers


def test_other_paths_and_methods_are_refused(server):
    assert ask(server, "/none")[0] == 404
    assert ask(server, "/../../etc/passwd")[0] == 404
    assert ask(server, method="POST")[0] == 405


@pytest.mark.parametrize(
    ("host", "answer"),
    [
        ("localhost:1", 200),
        ("LOCALHOST", 200),
        ("[::1]:80", 200),
        ("127.0.0.1", 200),
        ("attacker.example", 421),
        ("127.0.0.1.attacker.example", 421),
        ("localhost.attacker.example:80", 421),
        ("192.0.2.7", 421),
        ("", 421),
    ],
)
def test_only_own_names_are_answered(server, host, answer):
    for path in ("/", "/status.json", "/events" if answer != 200 else "/"):
        assert ask(server, path, Host=host)[0] == answer


def test_pages_are_renewed():
    now = [LiveStatus()]
    with serve_status(lambda: now[0]) as server, listen(server) as one, listen(server) as two:
        for answer in (one, two):
            assert next_status(answer)["sentence"][1] == "No frame yet."
        for k in range(3):
            server.publish(LiveStatus(sentence=f"State {k}."))
            for answer in (one, two):
                assert next_status(answer)["sentence"][1] == f"State {k}."
        # A page that is opened later begins with the status then.
        now[0] = LiveStatus(sentence="Later.")
        with listen(server) as late:
            assert next_status(late)["sentence"][1] == "Later."


def test_threads_may_publish_and_the_last_one_arrives():
    with serve_status(LiveStatus) as server, listen(server) as answer:
        next_status(answer)

        def publish(worker):
            for k in range(20):
                server.publish(LiveStatus(sentence=f"{worker} {k}"))

        threads = [threading.Thread(target=publish, args=(k,)) for k in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        server.publish(LiveStatus(sentence="last"))
        while next_status(answer)["sentence"][1] != "last":
            pass


def test_signs_of_life(monkeypatch):
    monkeypatch.setattr("framesort.live._serve._TICK", 0.05)
    with serve_status(LiveStatus) as server, listen(server) as answer:
        next_status(answer)
        assert [answer.readline() for _ in range(3)] == [b"\n", b"event: tick\n", b"data: -\n"]


def test_hostile_texts_are_served():
    with serve_status(hostile_status) as server:
        assert ask(server)[0] == 200
        assert json.loads(ask(server, "/status.json")[2])["heater"] == hostile_status().heater
        with listen(server) as answer:
            assert "<script" not in next_status(answer)["sentence"][1]


def test_token():
    with serve_status(busy_status, token=TOKEN) as server:
        path = server.url.removeprefix(f"http://{urlsplit(server.url).netloc}")
        assert "token=a%20token%20%26%20more%2F%3D" in path
        for page in ("/", "/status.json", "/events"):
            assert ask(server, page)[0] == 403
            assert ask(server, f"{page}?token=")[0] == 403
            assert ask(server, f"{page}?token=a")[0] == 403
            assert ask(server, page, Authorization="Bearer a token")[0] == 403
            assert ask(server, page, Authorization=f"Basic {TOKEN}")[0] == 403
        assert "sentence" not in ask(server)[2]
        assert ask(server, path)[0] == 200
        assert ask(server, "/", Authorization=f"Bearer {TOKEN}")[0] == 200
        assert ask(server, path, Host="attacker.example")[0] == 421
        with listen(server, f"/events{path[1:]}") as answer:
            assert next_status(answer) is not None


def test_all_addresses_need_a_token_and_answer_to_numbers():
    for host in ("0.0.0.0", "::", "192.0.2.1", "", "observatory.example"):
        with (
            pytest.raises(InputError, match="give a token") as told,
            serve_status(LiveStatus, host=host),
        ):
            pass
        assert "\n" not in str(told.value)
    with serve_status(LiveStatus, host="0.0.0.0", token=TOKEN) as server:
        port, query = urlsplit(server.url).port, urlsplit(server.url).query
        assert urlsplit(server.url).hostname != "0.0.0.0"
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as line:
            for host, answer in (
                ("192.168.1.20", 200), ("[fd00::20]:80", 200), (socket.gethostname(), 200),
                ("attacker.example", 421),
            ):  # fmt: skip
                line.request("GET", f"/?{query}", headers={"Host": host})
                with line.getresponse() as told:
                    assert told.status == answer, host
                    told.read()


@pytest.mark.parametrize("call", [{"token": "short"}, {"token": ""}, {"port": -1}, {"port": 70000}])
def test_wrong_calls(call):
    with pytest.raises(InputError, match=r"got -?\d+"), serve_status(LiveStatus, **call):
        pass


@pytest.mark.parametrize("host", ["localhost", "::1"])
def test_other_names_of_this_computer(host):
    try:
        with serve_status(LiveStatus, host=host) as server:
            shown = "[::1]" if host == "::1" else host
            assert re.fullmatch(rf"http://{re.escape(shown)}:\d+/", server.url)
            assert ask(server)[0] == 200
    except OutputError:
        if host == "localhost":
            raise
        pytest.skip("no IPv6 on this machine")


def test_port_in_use():
    with serve_status(LiveStatus) as server:
        port = urlsplit(server.url).port
        with pytest.raises(OutputError, match=f"port {port}: .*in use.*port 0") as told:
            with serve_status(LiveStatus, port=port):
                pass
    assert "\n" not in str(told.value)
    with serve_status(LiveStatus, port=port) as server:  # free again at once
        assert ask(server)[0] == 200


def test_an_address_of_another_computer():
    with pytest.raises(OutputError, match=r"cannot serve on 192\.0\.2\.1 port 0"):
        with serve_status(LiveStatus, host="192.0.2.1", token=TOKEN):
            pass


def test_missing_extra(monkeypatch):
    for name in [n for n in sys.modules if n.partition(".")[0] == "uvicorn"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    with pytest.raises(InputError, match=r"pip install 'framesort\[live\]'"):
        with serve_status(LiveStatus):
            pass


@pytest.fixture
def no_thread_left():
    """Fails where a thread is left that was not there before."""
    before = set(threading.enumerate())
    yield
    assert set(threading.enumerate()) <= before


@pytest.mark.usefixtures("no_thread_left")
@pytest.mark.parametrize("clients", [0, 3])
def test_it_ends_at_once(clients):
    with serve_status(busy_status) as server:
        parts = urlsplit(server.url)
        lines = [socket.create_connection((parts.hostname, parts.port)) for _ in range(clients)]
        for line in lines:
            line.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert line.recv(15) == b"HTTP/1.1 200 OK"
        begin = time.monotonic()
    assert time.monotonic() - begin < 3  # within a second on an idle machine
    for line in lines:
        line.settimeout(20)
        while line.recv(1 << 16):  # each stream has come to its end
            pass
        line.close()
    server.publish(LiveStatus())  # too late, and no error


@pytest.mark.usefixtures("no_thread_left")
def test_it_ends_although_a_client_does_not_read():
    big = busy_status(star_last="data:image/png;base64," + "A" * 3_000_000)
    with serve_status(lambda: big) as server:
        parts = urlsplit(server.url)
        line = socket.create_connection((parts.hostname, parts.port))
        line.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert line.recv(15) == b"HTTP/1.1 200 OK"
        for _ in range(3):
            server.publish(big)
        assert ask(server)[0] == 200  # others are answered
        begin = time.monotonic()
    assert time.monotonic() - begin < 6  # one second of patience, then it is cut off
    line.close()


@pytest.mark.usefixtures("no_thread_left")
def test_it_ends_with_an_error_of_the_caller():
    with pytest.raises(RuntimeError, match="of the caller"), serve_status(LiveStatus):
        raise RuntimeError("of the caller")


def test_a_status_that_fails_is_told_and_not_the_end():
    broken = [True]

    def get_status():
        if broken[0]:
            raise ValueError("secret of the inside")
        return LiveStatus()

    with serve_status(get_status) as server:
        status, _, text = ask(server)
        assert status == 500
        assert "secret" not in text
        broken[0] = False
        assert ask(server)[0] == 200
