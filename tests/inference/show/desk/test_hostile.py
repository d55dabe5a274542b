"""Requests that mean harm: refused or bounded, the server alive, nothing written elsewhere.

What each attack is: OWASP's pages on DNS rebinding, CSRF, path traversal, unrestricted file upload
and denial of service (from memory).
"""

import http.client
import io
import os
import re
import signal
import socket
import struct
import threading
import time
import zlib
from pathlib import Path

import pytest
from PIL import Image

from fiberward.inference.show.desk.app import Desk
from fiberward.inference.show.desk.statics import STATIC

PAGES = ["/", "/help", "/c/0123456789ab", "/sheet/made"]
PAGES += [f"{STATIC}/{name}" for name in ("kinds.css", "desk.css", "case.js")]


def png(width: int = 8, height: int = 6, extra: bytes = b"") -> bytes:
    """A small picture; `extra` chunks go before its pixels."""
    file = io.BytesIO()
    Image.effect_noise((width, height), 60).save(file, "png")
    data = file.getvalue()
    return data[:33] + extra + data[33:]


def chunk(name: bytes, data: bytes) -> bytes:
    checksum = zlib.crc32(name + data)
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", checksum)


def all_files(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(autouse=True)
def lives_on(desk):
    yield
    assert desk.process.poll() is None
    assert desk.get("/").status == 200


# -- who may talk to it --------------------------------------------------------------------------


def test_it_listens_on_the_loopback_only(desk):
    # the kernel's own list of listening sockets (proc(5))
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    listening = [row[1] for row in rows if row[3] == "0A" and int(row[1][9:], 16) == desk.port]
    assert listening == [f"0100007F:{desk.port:04X}"]


@pytest.mark.parametrize("page", PAGES)
def test_nothing_is_shown_without_the_cookie(desk, page):
    assert desk.get(page, cookie=None).status == 401
    assert desk.get(page, cookie="fiberward-desk-1=x; " + "0" * 64).status == 401


def test_every_address_is_behind_the_gate(desk, tmp_path):
    routes = Desk(tmp_path, 1, {})._routes()
    assert len(routes) >= 15
    for route in routes:
        path = re.sub(r"\{\w+:int\}", "0", re.sub(r"\{\w+:str\}", "x", route.path))
        for method in ("GET", "POST"):
            assert desk.request(method, path, cookie=None).status == 401, path


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", "", "[::1]"]
)
def test_another_host_name_is_refused(desk, host):
    # a name that was made to point here keeps its own name in Host
    assert desk.get("/", host=host).status in (400, 421)


def test_two_host_headers_are_refused(desk):
    with socket.create_connection(("127.0.0.1", desk.port), 5) as sock:
        mine = f"Host: 127.0.0.1:{desk.port}\r\n"
        head = f"GET / HTTP/1.1\r\n{mine}Host: evil.example\r\nCookie: {desk.cookie}\r\n\r\n"
        sock.sendall(head.encode())
        assert re.match(rb"HTTP/1.1 4\d\d", sock.recv(100))


def test_the_opening_address_works_once(start_desk, tmp_path):
    fresh = start_desk(tmp_path / "desk")
    assert fresh.open().status == 303
    again = fresh.get(fresh.address.partition(f":{fresh.port}")[2], cookie=None)
    assert again.status == 401
    assert "set-cookie" not in again.headers


def test_a_wrong_opening_token_is_refused_and_does_not_use_up_the_right_one(start_desk, tmp_path):
    fresh = start_desk(tmp_path / "desk")
    for wrong in ("/open", "/open?token=", "/open?token=x", "/open?token=%ff%00"):
        assert fresh.get(wrong, cookie=None).status == 401
    assert fresh.open().status == 303


def test_the_cookie_cannot_be_read_by_scripts_nor_sent_by_other_sites(start_desk, tmp_path):
    attributes = start_desk(tmp_path / "desk").open().headers["set-cookie"].lower()
    assert "httponly" in attributes
    assert "samesite=strict" in attributes


def test_the_session_s_secret_is_for_its_owner_only(desk):
    assert (desk.folder / ".desk-session").stat().st_mode & 0o077 == 0


# -- what another site may make a browser send ---------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
        {"x_fiberward_desk": None},
        {"x_fiberward_desk": "0" * 64},
        {"x_fiberward_desk": "", "content_type": "application/x-www-form-urlencoded"},
    ],
)
def test_a_change_from_another_site_is_refused(desk, headers):
    before = all_files(desk.folder)
    assert desk.post("/cases", **headers).status == 403
    assert all_files(desk.folder) == before


def test_a_page_asked_for_by_another_site_is_refused(desk):
    assert desk.get("/", sec_fetch_site="cross-site").status == 403


def test_a_change_cannot_be_made_by_get(desk):
    assert desk.get("/cases").status == 405
    assert desk.request("PUT", "/cases").status == 405


def test_every_answer_binds_the_browser(desk):
    for page in ("/", f"{STATIC}/case.js", "/c/none"):
        headers = desk.get(page).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"


def test_a_label_cannot_become_markup(desk):
    key = desk.begin()
    label = '"><script>alert(1)</script>{{7*7}}'
    assert desk.post(f"/c/{key}/stated", {"label": label}).status == 200
    page = desk.get(f"/c/{key}").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page
    assert "{{7*7}}" in page


# -- what is sent --------------------------------------------------------------------------------


def test_an_upload_said_to_be_2_gb_is_refused_before_it_is_sent(desk):
    key = desk.begin()
    connection = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=10)
    connection.putrequest("POST", f"/c/{key}/pictures")
    sent = {"Cookie": desk.cookie, "X-Fiberward-Desk": desk.token, "X-File-Name": "a.png"}
    for name, value in {**sent, "Content-Length": str(2 << 30)}.items():
        connection.putheader(name, value)
    connection.endheaders(png())
    assert connection.getresponse().status == 413
    connection.close()
    assert list((desk.folder / folder_of(desk, key) / "pictures").iterdir()) == []


def test_an_upload_that_never_ends_is_cut_off(start_desk, tmp_path):
    module = "from fiberward.inference.show.desk import server, uploads"
    limits = "server.HEADER_WAIT_S, uploads.MOST_PICTURE_BYTES = 0.8, 1 << 20"
    small = start_desk(tmp_path / "desk", before=f"{module}\n{limits}")
    small.open()
    key = small.begin()

    def endless():
        while True:
            yield b"\x89PNG\r\n\x1a\n" + b"x" * 65536

    connection = http.client.HTTPConnection("127.0.0.1", small.port, timeout=10)
    headers = {"Cookie": small.cookie, "X-Fiberward-Desk": small.token}
    with pytest.raises(OSError):  # noqa: PT011  (a reset or a broken pipe, as the kernel has it)
        connection.request("POST", f"/c/{key}/pictures", endless(), headers, encode_chunked=True)
    connection.close()
    assert small.get("/").status == 200
    assert sum(p.stat().st_size for p in small.folder.rglob("*") if p.is_file()) < 100_000


def test_a_form_of_many_megabytes_is_refused(desk):
    key = desk.begin()
    assert desk.post(f"/c/{key}/stated", {"label": "x" * (1 << 20)}).status == 413
    assert desk.post(f"/c/{key}/stated", b"[" * 100_000).status == 400


def test_a_picture_that_says_to_be_huge_is_refused_without_being_decoded(desk):
    key = desk.begin()
    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    pixels = chunk(b"IDAT", zlib.compress(bytes(1 << 20)))
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + pixels + chunk(b"IEND", b"")
    before = desk.memory_mb
    answer = desk.upload(key, bomb)
    assert answer.status == 422
    assert "pixels" in answer.json["problem"]
    assert desk.memory_mb - before < 50


def test_text_that_unpacks_to_hundreds_of_megabytes_takes_no_memory(desk):
    key = desk.begin()
    text = chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(400 << 20), 9))
    before = desk.memory_mb
    answer = desk.upload(key, png(extra=text))
    assert answer.status in (201, 422)
    assert desk.memory_mb - before < 100


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (b"", "a.png"),
        (b"MZ\x90\0" + bytes(200), "a.png"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "a.svg"),
        (b"<html><script>alert(1)</script>", "a.jpg"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "a.png"),
        (b"\xff\xd8\xff" + bytes(50), "a.jpg"),
        (b"GIF89a", "a.gif"),
        (b"BM" + bytes(60), "a.bmp"),
    ],
)
def test_what_is_no_picture_is_refused_by_its_content(desk, data, name):
    key = desk.begin()
    answer = desk.upload(key, data, name)
    assert answer.status == 422
    assert len(answer.json["problem"].splitlines()) == 1
    assert list((desk.folder / folder_of(desk, key) / "pictures").iterdir()) == []


def test_the_suffix_follows_the_content_not_the_name(desk):
    key = desk.begin()
    assert desk.upload(key, png(), "page.html").json == {"file": "page.png"}
    assert desk.get(f"/c/{key}/shot/0").headers["content-type"] == "image/png"


@pytest.mark.parametrize(
    "name",
    [
        "../../../../tmp/evil.png",
        "/etc/evil.png",
        "..\\..\\evil.png",
        "C:\\evil.png",
        "%2e%2e%2f%2e%2e%2fevil.png",
        "%00evil.png",
        "..",
        ".hidden.png",
        "x" * 500 + ".png",
        "con.png",
        "%F0%9F%92%A9.png",
        "%0d%0aSet-Cookie: a=b.png",
        "connector.toml",
        "a.surfaces.png",
        "inspection.json",
    ],
)
def test_no_name_leads_out_of_the_case_s_folder(desk, name):
    key = desk.begin()
    folder = folder_of(desk, key)
    before = all_files(desk.folder)
    answer = desk.upload(key, png(), name)
    assert answer.status in (201, 422)
    new = all_files(desk.folder) - before
    assert all(re.fullmatch(rf"{folder}/pictures/[^/.][^/]*\.png", path) for path in new), new
    assert len(new) == (answer.status == 201)
    assert not Path("/tmp/evil.png").exists()
    assert not Path("/etc/evil.png").exists()


@pytest.mark.parametrize(
    "path",
    [
        "/c/KEY/file/../../../etc/passwd",
        "/c/KEY/file/..%2f..%2fdesk.json",
        "/c/KEY/file/%2fetc%2fpasswd",
        "/c/KEY/file/desk.json",
        "/c/KEY/file/.desk",
        "/c/KEY/shot/../../desk.json",
        "/c/KEY/shot/99",
        "/c/KEY/shot/-1",
        "/c/../.desk-session",
        "/c/..%2f.desk-session",
        "/c/.",
        "/records/..%2f..%2fetc",
        "/records/%00/map",
        f"{STATIC}/../app.py",
        f"{STATIC}/..%2fapp.py",
        f"{STATIC}/%2e%2e/app.py",
        f"{STATIC}//etc/passwd",
        f"{STATIC}/%00",
    ],
)
def test_no_path_leads_to_a_file_that_is_not_the_page_s(desk, path):
    key = desk.begin()
    answer = desk.get(path.replace("KEY", key))
    assert answer.status in (400, 404, 422)
    assert b"root:" not in answer.body
    assert b"import" not in answer.body


def test_a_link_in_a_case_s_folder_leads_nowhere(desk):
    key = desk.begin()
    folder = desk.folder / folder_of(desk, key)
    desk.upload(key, png(), "a.png")
    (folder / "pictures" / "a.png").unlink()
    (folder / "pictures" / "a.png").symlink_to("/etc/passwd")
    assert desk.get(f"/c/{key}/shot/0").status == 404


@pytest.mark.parametrize(
    "stated",
    [
        {"ferrule_mm": "9"},
        {"stage": ["cleaned"]},
        {"label": 5},
        {"label": "two\nlines"},
        {"label": 'a"\u2028[[picture]]'},
        {"matings_so_far": "-1"},
        {"key_deg": "nan"},
        {"turns": {"a.png": "1e9"}},
        {"turns": [1]},
        {"folder": "/etc"},
    ],
)
def test_facts_that_cannot_be_meant_are_refused(desk, stated):
    key = desk.begin()
    desk.upload(key, png(), "a.png")
    answer = desk.post(f"/c/{key}/stated", stated)
    assert answer.status == 422
    assert len(answer.json["problem"].splitlines()) == 1


# -- how much, and how slowly --------------------------------------------------------------------


def test_200_parallel_requests_are_answered_or_put_off(desk):
    statuses: list[int] = []
    barrier = threading.Barrier(200)

    def ask() -> None:
        barrier.wait()
        try:
            statuses.append(desk.get("/").status)
        except OSError:
            statuses.append(0)

    before = desk.memory_mb
    threads = [threading.Thread(target=ask) for _ in range(200)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(statuses) == 200
    assert set(statuses) <= {200, 503}
    assert 200 in statuses
    assert desk.memory_mb - before < 100


def test_slow_clients_are_cut_off_and_hold_nobody_up(start_desk, tmp_path):
    module = "from fiberward.inference.show.desk import app, server, uploads"
    hasty = "server.HEADER_WAIT_S = uploads.CHUNK_WAIT_S = app.FORM_WAIT_S = 0.8"
    hasty = f"{module}\n{hasty}"
    running = start_desk(tmp_path / "desk", before=hasty)
    running.open()
    key = running.begin()
    head = f"POST /c/{key}/pictures HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n"
    head += f"Cookie: {running.cookie}\r\nX-Fiberward-Desk: {running.token}\r\n"
    form = f"POST /c/{key}/stated HTTP/1.1\r\n{head.partition(chr(10))[2]}"
    half_a_form = [socket.create_connection(("127.0.0.1", running.port), 10) for _ in range(5)]
    half_a_head = [socket.create_connection(("127.0.0.1", running.port), 10) for _ in range(20)]
    half_a_body = [socket.create_connection(("127.0.0.1", running.port), 10) for _ in range(20)]
    for sock in half_a_head:
        sock.sendall(head.encode())
    for sock in half_a_body:
        sock.sendall(f"{head}Content-Length: 100000\r\n\r\n".encode() + png())
    for sock in half_a_form:
        sock.sendall(f"{form}Content-Length: 100\r\n\r\n{{".encode())
    begun = time.monotonic()
    assert running.get("/").status == 200
    assert time.monotonic() - begun < 2
    assert {sock.recv(100)[9:12] for sock in half_a_head} == {b""}  # closed without a word
    assert {sock.recv(100)[9:12] for sock in half_a_body + half_a_form} == {b"408"}
    for sock in half_a_head + half_a_body + half_a_form:
        sock.close()
    assert list((running.folder / folder_of(running, key) / "pictures").iterdir()) == []


def test_a_head_that_never_ends_is_refused(desk):
    with socket.create_connection(("127.0.0.1", desk.port), 10) as sock:
        try:
            sock.sendall(b"GET / HTTP/1.1\r\nX: " + b"x" * (1 << 20))
            assert sock.recv(20)[9:12] in (b"400", b"431")
        except OSError:
            pass  # it was cut off while it was still sending


def test_more_pictures_than_a_connector_can_have_are_refused(desk):
    key = desk.begin()
    statuses = [desk.upload(key, png(), f"{n}.png").status for n in range(26)]
    assert statuses == [201] * 24 + [413] * 2


# -- when the server ends ------------------------------------------------------------------------


def test_ctrl_c_ends_it_while_a_page_is_open(start_desk, tmp_path):
    running = start_desk(tmp_path / "desk")
    running.open()
    with socket.create_connection(("127.0.0.1", running.port), 5):
        running.process.send_signal(signal.SIGINT)
        assert running.process.wait(10) == 130
    running.process.stdout.close()


def test_after_a_killed_server_the_page_goes_on_where_it_was(start_desk, tmp_path):
    first = start_desk(tmp_path / "desk")
    first.open()
    key = first.begin()
    first.upload(key, png(), "a.png")
    first.post(f"/c/{key}/stated", {"label": "rack 7", "turns": {"a.png": "120"}})
    first.kill()
    second = start_desk(tmp_path / "desk", first.port)
    second.cookie, second.token = first.cookie, first.token  # the page is still open
    page = second.get(f"/c/{key}").text
    assert 'value="rack 7"' in page
    assert 'value="120"' in page
    assert second.post(f"/c/{key}/stated", {"label": "rack 8"}).status == 200


@pytest.mark.parametrize("field", ["since", "until"])
@pytest.mark.parametrize("day", ["yesterday", "2026-13-45", "20260131", "31.1.2026"])
def test_what_is_no_day_is_refused_not_searched_for(desk, field, day):
    answer = desk.get(f"/records?{field}={day}")
    assert answer.status == 422
    assert answer.json["problem"] == f"{field}: expected a day, as 2026-01-31"
    assert desk.get(f"/records?{field}=2026-01-31").status == 200


def folder_of(desk, key: str) -> str:
    """The folder of a case, told from what the page says of the command line."""
    text = desk.get(f"/c/{key}").text
    return os.path.basename(re.search(r"--out (\S+)", text)[1])
