"""The page and a client that means no good: paths, names, origins, tokens, methods, sizes."""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from runner.attention import STOP_FILE
from runner.cli.main import main
from runner.errors import BadInput
from runner.live import archive as archive_module
from runner.live import serving
from runner.live.guard import Door
from runner.live.serving import bind
from tests.runner.following.journals import END, RUN, SAFE, going, short, write
from tests.runner.following.served_page import ServedPage, serve

TOKEN = "lakeside-weather-mast-24"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Two runs inside, one outside, and links that lead to it."""
    root = tmp_path / "archive"
    write(root / "going", *going())
    write(root / "shelf" / "ended one", *short())
    write(tmp_path / "outside", *going(sequence="secret"))
    (root / "link").symlink_to(tmp_path / "outside", target_is_directory=True)
    (root / "half").mkdir()
    (root / "half" / "journal.jsonl").symlink_to(tmp_path / "outside" / "journal.jsonl")
    (root / "notes.txt").write_text("secret", "utf-8")
    return root


@pytest.fixture
def page(archive: Path) -> Iterator[ServedPage]:
    with serve(archive) as served:
        yield served


@pytest.fixture
def locked(archive: Path) -> Iterator[ServedPage]:
    with serve(archive, TOKEN) as served:
        yield served


# --------------------------------------------------------------------------- what it shows


def test_the_list_has_every_run_below_the_archive_and_no_other(page: ServedPage) -> None:
    text = page.ask("/").text
    assert set(re.findall(r'href="/runs/([^"]*)"', text)) == {"going", "shelf/ended%20one"}
    assert "running" in text and "done" in text and "secret" not in text


def test_a_run_is_shown_with_reading_margins_time_left_and_log(page: ServedPage) -> None:
    answer = page.ask("/runs/going")
    assert answer.status == 200
    for part in ("mast regulator, unit 1", "drawing 2 A", "9 of 10 V (90 %)", "0:01:38"):
        assert part in answer.text
    assert answer.text.count("<figure><svg") == 3
    assert "a heron looks in at 24 °C" in answer.text
    assert "Stop this run now" in answer.text


def test_an_ended_run_says_that_it_is_safe_and_has_no_stop(page: ServedPage) -> None:
    text = page.ask("/runs/shelf/ended%20one").text
    assert "Safe state reached" in text and "<form" not in text and "<button" not in text


def test_an_output_that_was_not_confirmed_is_said_loudly(archive: Path, page: ServedPage) -> None:
    unsafe = SAFE | {"confirmed": False, "unconfirmed": ["supply output (supply)"]}
    write(archive / "bad", *going(), ("safe", unsafe), ("end", END | {"exit_code": 6}))
    text = page.ask("/runs/bad").text
    assert "NOT CONFIRMED OFF: supply output (supply)" in text and "Safe state" not in text


def test_what_a_journal_says_cannot_become_markup(archive: Path, page: ServedPage) -> None:
    nasty = '<script>alert("x")</script>'
    run = {"module": {"name": nasty, "unit": nasty}, "bench": {"name": nasty}, "sequence": nasty}
    write(archive / "nasty", ("run", RUN | run), ("note", {"text": nasty}))
    (archive / "nasty" / "verdicts.csv").write_text(f"claim,verdict\n{nasty},{nasty}\n", "utf-8")
    for path in ("/", "/runs/nasty"):
        text = page.ask(path).text
        assert "&lt;script&gt;alert" in text and "<script>alert" not in text


def test_a_damaged_run_is_in_the_list_and_has_no_page(archive: Path, page: ServedPage) -> None:
    path = archive / "going" / "journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"boathouse", b"cowhouse "))
    assert ">damaged<" in page.ask("/").text
    answer = page.ask("/runs/going")
    assert answer.status == 409 and "line 1: the record is damaged" in answer.text
    assert str(archive) not in answer.text


def test_a_page_that_did_not_change_is_not_sent_again(archive: Path, page: ServedPage) -> None:
    first = page.ask("/runs/going")
    again = page.ask("/runs/going", If_None_Match=first.headers["ETag"])
    assert (again.status, again.text) == (304, "")


# ------------------------------------------------------------------------------- its paths


@pytest.mark.parametrize(
    "path",
    [
        "/runs/../outside",
        "/runs/%2e%2e/outside",
        "/runs/..%2foutside",
        "/runs/going/../../outside",
        "/runs//outside",
        "/runs/link",
        "/runs/half",
        "/runs/.",
        "/runs/",
        "/runs/going/",
        "/runs/going/journal.jsonl",
        "/runs/notes.txt",
        "/runs/going%00",
        "/runs/%ff",
        "/static/../page.py",
        "/static/%2e%2e%2fpage.py",
        "/static/..%5cpage.py",
        "/static/",
        "//evil.example/",
        "/favicon.ico",
        "/runs/" + "a/" * 2000,
    ],
)
def test_no_path_leads_outside(path: str, page: ServedPage) -> None:
    answer = page.ask(path)
    assert answer.status in (404, 405) and "secret" not in answer.text


def test_a_path_outside_cannot_be_stopped_either(page: ServedPage, tmp_path: Path) -> None:
    for name in ("link", "half", "../outside", "..%2foutside"):
        assert page.post(f"/runs/{name}/stop").status in (404, 405)
    assert not (tmp_path / "outside" / STOP_FILE).exists()


def test_a_folder_that_becomes_a_link_later_is_not_followed(
    archive: Path, page: ServedPage, tmp_path: Path
) -> None:
    assert page.ask("/runs/going").status == 200
    (archive / "going").rename(tmp_path / "away")
    (archive / "going").symlink_to(tmp_path / "outside", target_is_directory=True)
    answer = page.ask("/runs/going")
    assert answer.status == 404 and "secret" not in answer.text


# ----------------------------------------------------------------- who is asking, and from where


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "127.0.0.1.evil.example:{port}",
        "127.0.0.1:1",
        "localhost@evil.example",
        "",
        "127.0.0.1:{port}/x",
        "[::1",
        "192.0.2.7:{port}",
        "a b",
    ],
)
def test_another_name_is_refused_so_that_it_cannot_be_rebound(host: str, page: ServedPage) -> None:
    answer = page.ask("/", Host=host.format(port=page.port))
    assert answer.status in (400, 421) and "going" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:{port}", "localhost:{port}", "[::1]:{port}"])
def test_the_names_of_loopback_are_known(host: str, page: ServedPage) -> None:
    assert page.ask("/", Host=host.format(port=page.port)).status == 200


def test_doors_by_hand() -> None:
    door = Door("0.0.0.0", 80, frozenset({"bench.lab.example"}), TOKEN)
    assert door.knows_host("192.0.2.7") and door.knows_host("bench.lab.example:80")
    assert not door.knows_host("evil.example") and not door.knows_host("192.0.2.7:81")
    one = Door("192.0.2.7", 8417, frozenset(), TOKEN)
    assert one.knows_host("192.0.2.7:8417") and not one.knows_host("localhost:8417")


def test_two_host_headers_are_refused(page: ServedPage) -> None:
    request = f"GET / HTTP/1.1\r\nHost: {page.host}\r\nHost: evil.example\r\n\r\n"
    assert raw(page, request.encode()).split()[1] in (b"400", b"421")


@pytest.mark.parametrize(
    "origin",
    [
        None,
        "null",
        "http://evil.example",
        "http://127.0.0.1:1",
        "https://localhost.evil.example",
        "file://",
        "http://{host}.evil.example",
        "ftp://{host}",
        "http://[",
    ],
)
def test_a_stop_from_another_page_is_refused(
    origin: str | None, page: ServedPage, archive: Path
) -> None:
    headers = {} if origin is None else {"Origin": origin.format(host=page.host)}
    answer = page.ask("/runs/going/stop", "POST", b"", **headers)
    assert answer.status == 403 and not (archive / "going" / STOP_FILE).exists()


def test_stop_writes_the_request_and_shows_it(page: ServedPage, archive: Path) -> None:
    answer = page.post("/runs/going/stop")
    assert (answer.status, answer.headers["Location"]) == (303, "/runs/going")
    assert "127.0.0.1" in (archive / "going" / STOP_FILE).read_text("utf-8")
    assert "Stop was asked for" in page.ask("/runs/going").text


def test_an_ended_run_is_not_stopped(page: ServedPage, archive: Path) -> None:
    answer = page.post("/runs/shelf/ended%20one/stop")
    assert answer.status == 409 and "has ended already" in answer.text
    assert not (archive / "shelf" / "ended one" / STOP_FILE).exists()


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"])
@pytest.mark.parametrize("path", ["/", "/runs/going", "/static/page.js"])
def test_nothing_but_stop_and_login_can_be_sent_to(
    method: str, path: str, page: ServedPage
) -> None:
    answer = page.ask(path, method, b"", Origin=f"http://{page.host}")
    assert answer.status == 405


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE"])
def test_stop_is_a_post(method: str, page: ServedPage, archive: Path) -> None:
    answer = page.ask("/runs/going/stop", method, Origin=f"http://{page.host}")
    assert answer.status in (404, 405) and not (archive / "going" / STOP_FILE).exists()


# ------------------------------------------------------------------------------- the token


def test_without_the_token_nothing_is_shown(locked: ServedPage, archive: Path) -> None:
    for path in ("/", "/runs/going", "/runs/nowhere", "/nowhere"):
        answer = locked.ask(path)
        assert answer.status == 401 and "going" not in answer.text
    assert locked.ask("/", Accept="text/html").headers["Location"] == "/login"
    assert locked.post("/runs/going/stop").status == 401
    assert not (archive / "going" / STOP_FILE).exists()


@pytest.mark.parametrize(
    "path", ["/?token={0}", "/runs/going?token={0}", "/login?token={0}", "/{0}", "/static/../?{0}"]
)
def test_the_token_is_not_taken_from_an_address(path: str, locked: ServedPage) -> None:
    assert "going" not in locked.ask(path.format(TOKEN), Accept="text/html").text


def test_the_token_opens_as_a_header(locked: ServedPage) -> None:
    assert locked.ask("/", Authorization=f"Bearer {TOKEN}").status == 200


@pytest.mark.parametrize(
    "given",
    [
        "",
        "Bearer",
        "Bearer ",
        f"Bearer {TOKEN}x",
        f"Bearer {TOKEN[:-1]}",
        f"Basic {TOKEN}",
        "Bearer \xe9",
        "Bearer " + "x" * 5000,
        TOKEN,
    ],
)
def test_what_is_nearly_the_token_does_not_open(given: str, locked: ServedPage) -> None:
    assert locked.ask("/", Authorization=given).status == 401


def test_the_form_exchanges_the_token_for_a_session(locked: ServedPage, archive: Path) -> None:
    assert 'type="password"' in locked.ask("/login").text
    assert locked.post("/login", b"token=wrong").status == 401
    answer = locked.post("/login", f"token={TOKEN}".encode())
    cookie = answer.headers["Set-Cookie"]
    assert answer.status == 303 and answer.headers["Location"] == "/"
    assert "HttpOnly" in cookie and "samesite=strict" in cookie.lower() and TOKEN not in cookie
    session = cookie.partition(";")[0]
    assert "going" in locked.ask("/", Cookie=session).text
    assert locked.ask("/", Cookie=session[:-1]).status == 401
    assert locked.ask("/", Cookie=session.partition("=")[0] + "=").status == 401
    assert locked.post("/runs/going/stop", Cookie=session, Origin="null").status == 403
    assert locked.post("/runs/going/stop", Cookie=session).status == 303
    assert (archive / "going" / STOP_FILE).exists()


def test_the_form_itself_cannot_be_sent_from_elsewhere(locked: ServedPage) -> None:
    body = f"token={TOKEN}".encode()
    assert locked.post("/login", body, Origin="http://evil.example").status == 403


def test_a_token_is_wanted_off_loopback_and_a_weak_one_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    weak = tmp_path / "token"
    weak.write_text("heron\n", "utf-8")
    assert main(["page", str(tmp_path), "--token-file", str(weak)]) == 2
    assert "found 5 characters, allowed are 20 or more" in capsys.readouterr().err
    assert main(["page", str(tmp_path), "--token-file", str(tmp_path / "no")]) == 2
    assert main(["page", str(tmp_path), "--host", "203.0.113.9"]) == 2
    err = capsys.readouterr().err
    assert "token: " in err and "cannot be bound" in err
    assert main(["page", str(tmp_path / "nowhere"), "--port", "0"]) == 2
    assert "there is no such folder" in capsys.readouterr().err


def test_a_port_that_is_taken_is_said() -> None:
    with bind("127.0.0.1", 0) as first, pytest.raises(BadInput, match="cannot be bound"):
        bind("127.0.0.1", first.getsockname()[1])
    for port in (-1, 70_000):
        with pytest.raises(BadInput, match=f"--port {port}: allowed is"):
            bind("127.0.0.1", port)
    with pytest.raises(BadInput, match="is no address of this machine"):
        bind("nowhere.invalid", 0)


# ---------------------------------------------------------------- what the browser may do with it


@pytest.mark.parametrize("path", ["/", "/runs/going", "/nowhere", "/static/page.js"])
def test_every_answer_forbids_inline_scripts_frames_and_guessing(
    path: str, page: ServedPage
) -> None:
    headers = page.ask(path).headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy and "form-action 'self'" in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "server" not in headers


@pytest.mark.parametrize("path", ["/", "/runs/going", "/runs/shelf/ended%20one", "/login"])
def test_pages_hold_no_inline_script_or_style(path: str, page: ServedPage) -> None:
    text = page.ask(path).text
    assert not re.search(r"<script(?! src=)|<style|\sstyle=|\son\w+=|javascript:", text)
    assert not re.search(r'(src|href)="(https?:)?//', text)


# ----------------------------------------------------------------------------- much and slow


def raw(page: ServedPage, sent: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", page.port), timeout=10) as client:
        client.sendall(sent)
        try:
            return client.recv(65536)
        except ConnectionResetError:
            return b""


@pytest.mark.parametrize(
    "sent",
    [
        b"GET /" + b"a" * 200_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 20_000 + b"\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc" * 100,
        b"GET\r\n\r\n",
        b"\x00" * 70_000,
    ],
)
def test_rubbish_is_refused_and_the_page_lives(sent: bytes, page: ServedPage) -> None:
    answer = raw(page, sent)
    assert answer == b"" or answer.split()[1] in (b"400", b"404", b"421", b"431")
    assert page.ask("/").status == 200


def test_a_long_form_is_cut_off(page: ServedPage, archive: Path) -> None:
    assert page.post("/login", b"token=" + b"x" * 100_000).status == 413
    assert page.post("/runs/going/stop", b"x" * 100_000).status == 413
    assert not (archive / "going" / STOP_FILE).exists()


def test_a_client_that_never_ends_its_question_is_cut_off(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "ASK_WITHIN_S", 0.2)
    with (
        serve(archive) as page,
        socket.create_connection(("127.0.0.1", page.port), timeout=10) as client,
    ):
        client.sendall(b"GET / HTTP/1.1\r\nHost")
        assert client.recv(1000) == b""


def test_more_connections_than_allowed_are_turned_away_and_it_recovers(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "MOST_CONNECTIONS", 5)
    with serve(archive) as page:
        crowd = [socket.create_connection(("127.0.0.1", page.port)) for _ in range(8)]
        assert page.ask("/").status == 503
        for one in crowd:
            one.close()
        end_s = time.monotonic() + 5.0
        while page.ask("/").status != 200:
            assert time.monotonic() < end_s


def test_a_long_list_is_shown_in_parts(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for k in range(230):
        write(archive / "many" / f"{k:03d}", ("run", RUN))
    with serve(archive) as page:
        first, rest = page.ask("/").text, page.ask("/?from=200").text
        assert first.count('class="phase') == 200 and rest.count('class="phase') == 32
        for odd in ("-1", "x", "9" * 500, "%D9%A3", "", "200&from=x"):
            assert page.ask(f"/?from={odd}").status == 200


def test_runs_are_not_looked_for_without_bounds(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = archive / "a" / "b" / "c" / "d" / "e"
    write(deep, *going())
    found = archive_module.Archive(archive).folders()
    assert "a/b/c/d/e" not in found and "going" in found
    monkeypatch.setattr(archive_module, "MOST_RUNS", 1)
    assert len(archive_module.Archive(archive).folders()) == 1
