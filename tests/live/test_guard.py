"""Who is refused: other hosts, other origins, no cookie, other paths, too much."""

from __future__ import annotations

import base64
import http.client
import json
import os
import shutil
import signal
import socket

import pytest
from live.conftest import READINGS

from percsim.boxes.store import Store


def asked(server, path="/", method="GET", host=None, body=None, **headers):
    """Answer of a plain request: status, headers, text."""
    line = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
    line.putrequest(method, path, skip_host=True)
    line.putheader("Host", host or f"127.0.0.1:{server.port}")
    for name, value in headers.items():
        line.putheader(name, value)
    if body is not None:
        line.putheader("Content-Length", str(len(body)))
    line.endheaders(body)
    answer = line.getresponse()
    found = answer.status, dict(answer.getheaders()), answer.read().decode()
    line.close()
    return found


def cookie_of(server):
    return asked(server, f"/?token={server.token}")[1]["Set-Cookie"].split(";")[0]


@pytest.fixture(scope="module")
def cookie(home):
    return cookie_of(home)


def upgraded(server, **headers):
    """First line of the answer to a request for the line, and the socket."""
    wanted = {
        "Host": f"127.0.0.1:{server.port}", "Upgrade": "websocket",
        "Connection": "Upgrade", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(os.urandom(16)).decode(),
    } | headers  # fmt: skip
    line = socket.create_connection(("127.0.0.1", server.port), timeout=60)
    text = "GET /line HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in wanted.items())
    line.sendall(f"{text}\r\n".encode())
    return line.recv(4096).decode(errors="replace").split("\r\n")[0], line


def line_of(server, cookie):
    own = f"http://127.0.0.1:{server.port}"
    first, line = upgraded(server, Origin=own, Cookie=cookie)
    assert " 101 " in first
    return line


def send(line, text):
    """Send one frame of text, masked with zeros."""
    data = text.encode()
    line.sendall(b"\x81\xff" + len(data).to_bytes(8, "big") + b"\0\0\0\0" + data)


def test_the_token_is_exchanged_for_a_cookie_at_once(home):
    status, headers, _ = asked(home, f"/?token={home.token}")
    assert status == 303
    assert headers["Location"] == "/"
    assert home.token not in headers["Set-Cookie"]
    assert "HttpOnly" in headers["Set-Cookie"]
    assert "SameSite=Strict" in headers["Set-Cookie"]


def test_the_page_needs_the_cookie(home, cookie):
    assert asked(home)[0] == 403
    assert asked(home, "/?token=")[0] == 403
    assert asked(home, f"/?token={home.token[:-1]}")[0] == 403
    assert asked(home, Cookie=f"percsim-{home.port}=x")[0] == 403
    assert asked(home, Cookie=cookie)[0] == 200
    for path in ("/live.js", "/live.css", "/box.js", "/bokeh.js", "/figures.js"):
        assert asked(home, path)[0] == 403
        assert asked(home, f"{path}?token={home.token}")[0] == 403
        assert asked(home, path, Cookie=cookie)[0] == 200


@pytest.mark.parametrize(
    "host", ["patch.example:{}", "127.0.0.1", "127.0.0.1:1", "0.0.0.0:{}", "[::1]:{}"]
)
def test_other_hosts_are_refused(home, cookie, host):
    host = host.format(home.port)
    assert asked(home, host=host, Cookie=cookie)[0] == 403
    assert asked(home, f"/?token={home.token}", host=host)[0] == 403
    first, _ = upgraded(home, Host=host, Origin=f"http://{host}", Cookie=cookie)
    assert " 403 " in first


@pytest.mark.parametrize(
    "origin", ["http://patch.example", "https://127.0.0.1:{}", "http://127.0.0.1:1", "null"]
)
def test_other_origins_are_refused(home, cookie, origin):
    origin = origin.format(home.port)
    assert asked(home, Cookie=cookie, Origin=origin)[0] == 403
    assert asked(home, f"/?token={home.token}", Origin=origin)[0] == 403
    assert " 403 " in upgraded(home, Origin=origin, Cookie=cookie)[0]


def test_the_line_needs_the_cookie(home, cookie):
    assert " 403 " in upgraded(home, Origin=f"http://127.0.0.1:{home.port}")[0]
    line_of(home, cookie).close()


@pytest.mark.parametrize(
    "path",
    ["/plan.toml", "/summary.json", "/results.sqlite", "/live.js/../../server.py",
     "/../../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "//etc/passwd", "/page/live.js",
     "/.explore.json", "/static/js/bokeh.min.js"],
)  # fmt: skip
def test_nothing_else_is_served(home, cookie, path):
    status, _, text = asked(home, path, Cookie=cookie)
    assert (status, text) == (404, "404")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "PATCH"])
def test_nothing_is_taken_but_by_the_line(home, cookie, method):
    status, headers, _ = asked(home, method=method, body=b"x" * 100, Cookie=cookie)
    assert status == 405
    assert "Access-Control-Allow-Origin" not in headers


def test_scripts_are_the_pages_own(home, cookie):
    _, headers, text = asked(home, Cookie=cookie)
    policy = headers["Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == rules["connect-src"] == "'self'"
    assert "unsafe-eval" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "Server" not in headers
    # besides the files one of data, which runs nothing
    assert text.count("<script") == text.count("<script src=") + 1
    assert '<script type="application/json"' in text


def test_it_listens_on_this_machine_alone(home):
    if not os.path.exists("/proc/net/tcp"):
        pytest.skip("this system lists its sockets elsewhere")
    with open("/proc/net/tcp") as tcp, open("/proc/net/tcp6") as tcp6:
        rows = [line.split() for line in (*tcp, *tcp6)]
    end = f":{home.port:04X}"
    heard = {r[1].split(":")[0] for r in rows if r[1].endswith(end) and r[3] == "0A"}
    assert heard == {"0100007F"}


@pytest.mark.parametrize(
    "told",
    ["", "[]", "null", "{}", '{"ask": 1}', '{"ask": "x", "settings": {}}', '{"what": 1}',
     '{"ask": 1, "settings": {"film.width": 3}}', '{"ask": 1, "settings": {}, "at": "a"}',
     '{"ask": 1, "settings": {}, "at": [-1, 1e999]}',
     '{"ask": 1, "settings": {}, "save": "plan"}', '{"save": "../../x"}', "[" * 5000],
)  # fmt: skip
def test_what_is_no_request_changes_nothing(home, cookie, told):
    line = line_of(home, cookie)
    before = {p.name for p in home.folder.iterdir()}
    send(line, told)
    asked_next = {"no.such": "1", "film.width": "wide"}
    send(line, json.dumps({"ask": 7, "settings": asked_next}))
    heard = b""
    while b'"n": 7' not in heard:
        more = line.recv(65536)
        assert more
        heard += more
    assert b"no knob" in heard
    line.close()
    assert {p.name for p in home.folder.iterdir()} == before


def test_more_than_a_megabyte_ends_the_line(home, cookie):
    line = line_of(home, cookie)
    heard = b""
    try:
        send(line, json.dumps({"readings": READINGS + "#" * 1_000_001}))
        heard = b"".join(iter(lambda: line.recv(65536), b""))
    except ConnectionError:
        pass
    assert b'"n"' not in heard
    assert asked(home, Cookie=cookie)[0] == 200


def test_readings_name_no_other_file(home, cookie, tmp_path):
    secret = tmp_path / "secret.csv"
    secret.write_text("time (s),strain (microstrain),resistance (ohm)\n0,0,4711\n")
    line = line_of(home, cookie)
    heads = "weight_fraction (wt%),electrode_gap (mm),resistance (kohm),cycle"
    table = f"{heads}\n30,2,1.2,{secret}\n"
    send(line, json.dumps({"readings": table}))
    send(line, json.dumps({"ask": 9, "settings": {}}))
    heard = b""
    while b'"n": 9' not in heard:
        heard += line.recv(65536)
    assert b"4711" not in heard
    assert b"cycle" in heard
    line.close()


def test_text_of_a_plan_is_not_put_into_the_page_as_it_is(serve, tmp_path, finished):
    folder = shutil.copytree(finished, tmp_path / "<b>", symlinks=True)
    with Store.open(folder) as store:
        plan = store.load_artefact("plan") | {"title": "</script><script>alert(1)</script>"}
        store.save_artefacts({"plan": plan})
    server = serve(folder)
    text = asked(server, Cookie=cookie_of(server))[2]
    assert "<script>alert" not in text
    assert "<b>" not in text
    assert "&lt;script&gt;alert(1)" in text
    server.end()


def test_what_is_kept_of_the_address_is_for_its_owner_alone(home):
    assert (home.folder / ".explore.json").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM])
def test_its_end_leaves_nothing_behind(own, by):
    assert (own.folder / ".explore.lock").exists()
    assert asked(own)[0] == 403  # it answers
    assert own.end(by) == ""
    assert own.process.returncode == 0
    assert not {".explore.lock", ".explore.json"} & {p.name for p in own.folder.iterdir()}


@pytest.mark.parametrize(
    ("by", "left"), [(signal.SIGINT, (130, "interrupted\n")), (signal.SIGTERM, (0, ""))]
)
def test_an_end_before_it_answers_leaves_nothing_behind(own, by, left):
    told = own.end(by)
    assert (own.process.returncode, told) == left
    assert not {".explore.lock", ".explore.json"} & {p.name for p in own.folder.iterdir()}
