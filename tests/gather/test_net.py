"""The door to the network under the faults of real servers, all on the loopback address.

The faults are those of docs/gather.md's trap list; HTTP ranges are those of RFC 9110, section 14.
"""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
import time

import pytest

from siting.errors import SitingError
from siting.gather.network import failures
from siting.gather.network.addresses import checked, machine_of, shown
from siting.gather.network.failures import Refused
from siting.gather.network.net import Door, Key
from siting.gather.network.pieces import BLOCK, Budget, Changed, RemoteFile
from tests.gather import server
from tests.gather.server import Site, first_then, serving, status

HERE = frozenset({"127.0.0.1"})
TIFF = b"II*\0" + bytes(range(256)) * 1200
GOOD = b'{"good": 1}'


def door(**more) -> Door:
    more.setdefault("pause", lambda _: None)
    more.setdefault("pace", 0.02)
    return Door(HERE, **more)


@pytest.fixture
def site():
    with serving() as here:
        here.files["/good.json"] = GOOD
        here.files["/a.tif"] = TIFF
        yield here


def refused(site: Site, path: str, **more) -> SitingError:
    with pytest.raises(SitingError) as failure:
        door(**more).get(site.base + path, most=1_000_000)
    return failure.value


def test_a_page_comes_whole_and_the_connection_is_kept(site):
    here = door()
    for _ in range(3):
        assert here.get(site.base + "/good.json", most=1000).body == GOOD
    assert (here.counts.requests, here.counts.bytes) == (3, 3 * len(GOOD))


@pytest.mark.parametrize("code", [400, 401, 403, 404, 410, 451])
def test_a_refusal_is_told_at_once(site, code):
    site.replies["/x"] = status(code)
    error = refused(site, "/x")
    assert error.code == "E-NET-03"
    assert str(code) in str(error)
    assert isinstance(error, Refused)
    assert error.status == code
    assert len(site.asked) == 1


@pytest.mark.parametrize("code", [429, 500, 502, 503, 504])
def test_a_passing_failure_is_tried_four_times(site, code):
    site.replies["/x"] = status(code)
    error = refused(site, "/x")
    assert error.code == "E-NET-04"
    assert len(site.asked) == 4
    assert "what has arrived is kept" in str(error)


def test_pauses_grow_and_a_server_may_ask_for_longer_ones(site):
    waited: list[float] = []
    site.replies["/x"] = first_then(
        [status(503), status(429, Retry_After="7"), status(503, Retry_After="9999")],
        status(200, GOOD),
    )
    here = Door(HERE, pause=waited.append)
    assert here.get(site.base + "/x", most=1000).body == GOOD
    assert 1.0 <= waited[0] <= 1.25
    assert waited[1] == 7.0
    assert waited[2] == 60.0


def test_a_date_may_stand_in_retry_after():
    soon = time.time() + 30
    from email.utils import formatdate

    assert 28 <= failures._retry_after(formatdate(soon, usegmt=True)) <= 30
    for text in ("never", "nan", "-5"):
        assert failures._retry_after(text) == 0.0


@pytest.mark.parametrize("fault", ["drip", "drip_headers", "silent"])
def test_a_request_that_never_ends_is_cut(site, fault):
    site.replies["/x"] = getattr(server, fault)
    begin = time.monotonic()
    error = refused(site, "/x")
    assert error.code == "E-NET-04"
    # Four tries of (20 s + 1 MB / 20 kB a second) or of 10 s of silence, at a fiftieth of the pace.
    assert time.monotonic() - begin < 10
    assert len(site.asked) <= 4


def test_a_body_cut_short_is_tried_again(site):
    site.replies["/x"] = first_then([server.cut_short], status(200, GOOD))
    assert door().get(site.base + "/x", most=10_000).body == GOOD
    site.replies["/y"] = server.cut_short
    assert refused(site, "/y").code == "E-NET-04"


def test_a_connection_that_breaks_is_tried_again(site):
    def broken(handler):
        handler.connection.shutdown(socket.SHUT_RDWR)
        handler.close_connection = True

    site.replies["/x"] = first_then([broken, broken], status(200, GOOD))
    assert door().get(site.base + "/x", most=1000).body == GOOD


def test_nobody_listens():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    with pytest.raises(SitingError, match="E-NET-05"):
        door().get(f"http://127.0.0.1:{port}/x", most=1000)


def test_a_name_that_is_not_known_is_told():
    def nobody(host: str, port: int) -> list[str]:
        raise socket.gaierror(-2, "Name or service not known")

    here = Door(frozenset({"tiles.example"}), resolve=nobody, pace=0.02)
    with pytest.raises(SitingError, match=r"E-NET-05: .*its name is not known"):
        here.get("https://tiles.example/a.tif", most=10)


@pytest.mark.parametrize(
    "size", [2_000, 10_000_000], ids=["told by its length", "of no told length"]
)
def test_more_than_was_expected_is_refused(site, size):
    def endless(handler):
        handler.send_response(200)
        handler.send_header("Connection", "close")
        handler.end_headers()
        for _ in range(size // 1000):
            handler.wfile.write(b"x" * 1000)
        handler.close_connection = True

    site.replies["/x"] = status(200, b"x" * size) if size < 10_000 else endless
    with pytest.raises(SitingError, match="E-SIZE-01"):
        door().get(site.base + "/x", most=1500)


def test_redirects_are_followed_by_hand_three_times_at_most(site):
    for number in range(3):
        site.replies[f"/{number}"] = status(302, Location=f"/{number + 1}")
    site.files["/3"] = GOOD
    assert door().get(site.base + "/0", most=1000).body == GOOD
    site.replies["/ever"] = status(302, Location="/ever")
    site.asked.clear()
    assert refused(site, "/ever").code == "E-NET-03"
    assert len(site.asked) == 4


@pytest.mark.parametrize(
    ("target", "code"),
    [
        ("file:///etc/passwd", "E-NET-01"),
        ("/etc/passwd", None),
        ("ftp://127.0.0.1/x", "E-NET-01"),
        ("s3://bucket/x", "E-NET-01"),
        ("http://localhost:1/x", "E-NET-02"),
        ("https://127.0.0.2/x", "E-NET-02"),
        ("http://127.0.0.2/x", "E-NET-01"),
        ("//localhost/x", "E-NET-02"),
        ("http://[::1]/x", "E-NET-02"),
        ("http://user:pw@localhost/x", "E-NET-02"),
        ("http://2130706433/x", "E-NET-01"),
        ("gopher://127.0.0.1/_x", "E-NET-01"),
        ("http://[::1/x", "E-NET-01"),
    ],
)
def test_a_redirect_leads_nowhere_else(site, target, code):
    site.replies["/x"] = status(302, Location=target)
    error = refused(site, "/x")
    # An absolute path stays on the server that sent it, where there is no such page.
    assert error.code == (code or "E-NET-03")
    assert all(a in ("/x", "/etc/passwd") for a in site.asked)


@pytest.mark.parametrize(
    "address",
    [
        "/etc/passwd", "file:///etc/passwd", "/vsicurl/http://127.0.0.1/x", "s3://bucket/x.tif",
        "ftp://127.0.0.1/x", "x.tif", "", "http://127.0.0.1:99999/x", "https:///x",
        "http://127.0.0.1/a b", "http://127.0.0.1/a\r\nHost: b", "data:,x", "javascript:1",
        "http://tiles.example/x", "\\\\server\\share\\x.tif", "http://[::1", "https://é.example/",
    ],
)  # fmt: skip
def test_what_is_no_https_address_is_not_asked(address):
    with pytest.raises(SitingError, match="E-NET-01"):
        checked(address, hosts={"127.0.0.1", "tiles.example", "é.example"})


@pytest.mark.parametrize(
    "machine",
    [
        "10.0.0.1", "172.16.0.1", "192.168.1.1", "127.0.0.1", "169.254.169.254", "100.64.0.1",
        "0.0.0.0", "224.0.0.1", "::1", "fe80::1", "fc00::1", "::ffff:127.0.0.1",
        "::ffff:10.0.0.1", "fd00:ec2::254", "255.255.255.255",
    ],
)  # fmt: skip
def test_a_public_name_that_leads_to_a_private_machine_is_refused(machine):
    place = checked("https://tiles.example/x", hosts={"tiles.example"})
    with pytest.raises(SitingError, match=r"E-NET-02: .*private network"):
        machine_of(place, lambda host, port: ["93.184.216.34", machine])


def test_a_name_that_changes_its_mind_after_a_good_answer_is_refused():
    answers = iter([["93.184.216.34"], ["127.0.0.1"]])
    place = checked("https://tiles.example/x", hosts={"tiles.example"})
    resolve = lambda host, port: next(answers)  # noqa: E731
    assert machine_of(place, resolve) == "93.184.216.34"
    with pytest.raises(SitingError, match="E-NET-02"):
        machine_of(place, resolve)


def test_the_connection_is_made_to_the_machine_that_was_checked(site):
    asked: list[str] = []

    def resolve(host: str, port: int) -> list[str]:
        asked.append(host)
        return ["127.0.0.1"]

    here = Door(frozenset({"localhost"}), resolve=resolve, pace=0.02)
    assert here.get(f"http://localhost:{site.port}/good.json", most=1000).body == GOOD
    assert asked == ["localhost"]
    assert site.headers[-1]["Host"] == f"localhost:{site.port}"


def test_the_program_names_itself_and_sends_nothing_else(site):
    door().get(site.base + "/good.json", most=1000)
    sent = {k.lower() for k in site.headers[-1]}
    assert site.headers[-1]["User-Agent"].startswith("siting/")
    assert sent == {"host", "user-agent", "accept-encoding"}


def test_a_key_goes_to_its_own_host_only(site):
    key = Key("127.0.0.1", "X-Key", "s3cret")
    door(key=key).get(site.base + "/good.json", most=1000)
    assert site.headers[-1]["X-Key"] == "s3cret"
    door(key=Key("other.example", "X-Key", "s3cret")).get(site.base + "/good.json", most=1000)
    assert "X-Key" not in site.headers[-1]
    assert "s3cret" not in repr(key)


def test_netrc_is_not_read(site, tmp_path, monkeypatch):
    (tmp_path / ".netrc").write_text("machine 127.0.0.1 login a password b\n")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("NETRC", str(tmp_path / ".netrc"))
    door().get(site.base + "/good.json", most=1000)
    assert "Authorization" not in site.headers[-1]


def test_no_query_and_no_password_is_ever_shown(site):
    address = f"http://u:pw@127.0.0.1:{site.port}/x.tif?sig=SECRET&token=SECRET#SECRET"
    assert shown(address) == f"http://127.0.0.1:{site.port}/x.tif"
    site.replies["/x"] = status(403)
    with pytest.raises(SitingError) as failure:
        door().get(f"{site.base}/x?sig=SECRET", most=10)
    assert "SECRET" not in str(failure.value)
    assert len(shown("https://a.example/" + "x" * 5000)) <= 200


# Parts of files


def remote(site: Site, folder, path: str = "/a.tif", budget: int = 10**9) -> RemoteFile:
    return RemoteFile(door(), site.base + path, folder, Budget(budget))


def test_only_the_blocks_asked_for_come_and_once(site, tmp_path):
    file = remote(site, tmp_path)
    assert file.part(100, 50) == TIFF[100:150]
    assert file.part(0, 4) == TIFF[:4]
    assert file.size == len(TIFF)
    assert len(site.asked) == 1
    assert file.part(len(TIFF) - 10, 100) == TIFF[-10:]
    assert len(site.asked) == 2


def test_neighbours_are_asked_for_together(site, tmp_path):
    file = remote(site, tmp_path)
    file.need([(0, 1)])
    file.need([(BLOCK, 10), (2 * BLOCK, 10), (4 * BLOCK, 10)])
    assert len(site.asked) == 2


def test_another_run_takes_up_what_came_and_drops_a_torn_end(site, tmp_path):
    file = remote(site, tmp_path)
    file.need([(0, 10), (3 * BLOCK, 10)])
    whole = file.kept.path.read_bytes()
    for cut in (1, 1000, BLOCK // 2):
        file.kept.path.write_bytes(whole[:-cut])
        again = remote(site, tmp_path)
        site.asked.clear()
        assert again.part(0, 10) == TIFF[:10]
        assert site.asked == []
        assert again.part(3 * BLOCK, 10) == TIFF[3 * BLOCK : 3 * BLOCK + 10]
        assert len(site.asked) == 1


def test_a_block_that_rotted_on_disk_is_asked_for_again(site, tmp_path):
    file = remote(site, tmp_path)
    file.need([(0, 10)])
    data = bytearray(file.kept.path.read_bytes())
    data[len(data) // 2] ^= 255
    file.kept.path.write_bytes(bytes(data))
    site.asked.clear()
    assert remote(site, tmp_path).part(0, 10) == TIFF[:10]
    assert len(site.asked) == 1


def test_a_file_that_changes_between_two_parts_is_noticed(site, tmp_path):
    file = remote(site, tmp_path)
    file.need([(0, 10)])
    site.replies["/a.tif"] = lambda h: h.send_part(TIFF, '"two"')
    with pytest.raises(Changed):
        file.need([(3 * BLOCK, 10)])
    site.replies["/a.tif"] = lambda h: h.send_part(TIFF + b"more", '"one"')
    with pytest.raises(Changed):
        file.need([(3 * BLOCK, 10)])


def test_a_server_without_ranges_gives_a_small_file_whole(site, tmp_path):
    site.replies["/a.tif"] = lambda h: h.send(200, TIFF)
    file = remote(site, tmp_path)
    assert file.part(5, 5) == TIFF[5:10]
    assert file.part(3 * BLOCK, 5) == TIFF[3 * BLOCK : 3 * BLOCK + 5]
    assert len(site.asked) == 1
    assert len(file.sha256) == 64


def large(handler):
    handler.send_response(200)
    handler.send_header("Content-Length", "60000000")
    handler.end_headers()
    handler.close_connection = True


def part_of(told: str, body: bytes = b"II*\0" + b"x" * (BLOCK - 4)):
    return lambda h: h.send(206, body, Content_Range=told)


@pytest.mark.parametrize(
    "reply",
    [
        large,
        part_of(f"bytes 100-{100 + BLOCK - 1}/999999"),
        part_of(f"bytes 0-{2 * BLOCK}/999999", b"II*\0" + b"x" * (2 * BLOCK - 3)),
        part_of("bytes"),
        part_of("bytes a-b/c"),
        part_of(f"bytes 0-{BLOCK - 1}/100"),
        part_of("bytes 0-99/999999", b"II*\0" + b"x" * 96),
        part_of(f"bytes 0-{BLOCK - 1}/*"),
    ],
    ids=["too large", "elsewhere", "too much", "untold", "nonsense", "past the end", "short", "?"],
)
def test_a_wrong_part_is_refused(site, tmp_path, reply):
    site.replies["/a.tif"] = reply
    with pytest.raises(SitingError, match="E-NET-06"):
        remote(site, tmp_path).part(0, 10)


@pytest.mark.parametrize("body", [b"<html>Please log in</html>", b"{}", b"PK\3\4zip", b"x"])
def test_what_is_no_tiff_is_refused(site, tmp_path, body):
    site.files["/a.tif"] = body
    with pytest.raises(SitingError, match="E-NET-07"):
        remote(site, tmp_path).part(0, 10)


def test_bytes_beyond_the_budget_are_refused(site, tmp_path):
    with pytest.raises(SitingError, match="E-SIZE-01"):
        remote(site, tmp_path, budget=2 * BLOCK).need([(0, len(TIFF))])


# Certificates and proxies


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tls")
    done = subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
         "-keyout", folder / "key.pem", "-out", folder / "cert.pem"],
        capture_output=True, check=False,
    ) if _has_openssl() else None  # fmt: skip
    if done is None or done.returncode:
        pytest.skip("no openssl to make a certificate with")
    return folder


def _has_openssl() -> bool:
    import shutil

    return shutil.which("openssl") is not None


def safe_server(folder):
    """A server on the loopback address with TLS; answers every request with a page."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "cert.pem", folder / "key.pem")
    plain = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                link, _ = plain.accept()
            except OSError:
                return
            try:
                with context.wrap_socket(link, server_side=True) as safe:
                    safe.recv(65536)
                    told = f"HTTP/1.1 200 OK\r\nContent-Length: {len(GOOD)}\r\n\r\n"
                    safe.sendall(told.encode() + GOOD)
            except (OSError, ssl.SSLError):
                continue

    threading.Thread(target=serve, daemon=True).start()
    return plain


def test_a_certificate_is_verified_for_the_name_that_was_asked(certificate):
    plain = safe_server(certificate)
    port = plain.getsockname()[1]
    trusting = ssl.create_default_context(cafile=str(certificate / "cert.pem"))
    hosts = frozenset({"localhost", "127.0.0.1"})

    def resolve(host, port):
        return ["127.0.0.1"]

    good = Door(hosts, resolve=resolve, context=trusting)
    assert good.get(f"https://localhost:{port}/x", most=1000).body == GOOD
    with pytest.raises(SitingError, match=r"E-NET-05: .*certificate"):
        Door(hosts, resolve=resolve).get(f"https://localhost:{port}/x", most=1000)
    with pytest.raises(SitingError, match=r"E-NET-05: .*certificate"):
        Door(hosts, context=trusting).get(f"https://127.0.0.1:{port}/x", most=1000)
    plain.close()


def test_a_proxy_is_used_where_the_environment_names_one(monkeypatch):
    asked = []
    listener = socket.create_server(("127.0.0.1", 0))

    def refuse() -> None:
        link, _ = listener.accept()
        asked.append(link.recv(4096).split(b"\r\n")[0])
        link.sendall(b"HTTP/1.1 403 Forbidden\r\nContent-Length: 0\r\n\r\n")
        link.close()

    threading.Thread(target=refuse, daemon=True).start()
    monkeypatch.setenv("HTTPS_PROXY", f"http://127.0.0.1:{listener.getsockname()[1]}")
    monkeypatch.delenv("NO_PROXY", raising=False)
    monkeypatch.delenv("no_proxy", raising=False)
    here = Door(frozenset({"tiles.example"}), pace=0.05)
    with pytest.raises(SitingError, match=r"E-NET-05: .*the proxy refused"):
        here.get("https://tiles.example/x", most=10)
    assert asked[0].startswith(b"CONNECT tiles.example:443 HTTP/1.")
    listener.close()
