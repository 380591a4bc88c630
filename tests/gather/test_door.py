"""The one door to the network: what it asks, what it refuses, and how long it waits."""

import shutil
import ssl
import subprocess
import threading
from datetime import timedelta
from email.utils import format_datetime

import pytest
from gather.fake_services import NOT_FOUND, Clock, Fake, Said, door_of, services_of

from siteplanner import __version__
from siteplanner.gather.net.faults import AbsentError, ServiceError

SENDS = "nothing"


def test_it_says_who_asks_and_counts_what_was_told_to_whom(fake):
    fake.files["/a"] = b"x"
    door = door_of(services_of(fake, manners={"contact": "holm@example.org"}))
    assert door.get(f"{fake.root}/a", "a box").body == b"x"
    said = fake.asked[0].headers
    assert said["User-Agent"] == f"siteplanner/{__version__} gather (holm@example.org)"
    assert list(door.sent.items()) == [((fake.root[7:], "a box"), 1)]


@pytest.mark.parametrize("status", [429, 503, 504])
def test_a_busy_service_is_asked_again_after_a_wait(fake, door, clock, status):
    fake.files["/a"] = b"x"
    fake.fail("/a", Said(status, b"<html>busy</html>"), Said(status))
    assert door.get(f"{fake.root}/a", SENDS).body == b"x"
    assert clock.waited == ([30.0, 30.0] if status == 429 else [2.0, 4.0])


def test_it_waits_as_long_as_it_is_asked_to_by_seconds_or_by_date(fake, door, clock):
    fake.files["/a"] = b"x"
    until = format_datetime(clock.now() + timedelta(seconds=57), usegmt=True)
    fake.fail("/a", Said(429, headers={"Retry-After": "7"}))
    fake.fail("/a", Said(503, headers={"Retry-After": until}))
    assert door.get(f"{fake.root}/a", SENDS).body == b"x"
    assert clock.waited == [7.0, 50.0]


def test_it_gives_up_where_the_wait_is_too_long_and_after_so_many_tries(fake, door, clock):
    fake.fail("/a", Said(503, headers={"Retry-After": "9999"}))
    with pytest.raises(ServiceError, match="busy or out of order"):
        door.get(f"{fake.root}/a", SENDS)
    assert clock.waited == [] and len(fake.asked) == 1
    fake.always["/a"] = Said(503)
    with pytest.raises(ServiceError, match="status 503"):
        door.get(f"{fake.root}/a", SENDS)
    assert clock.waited == [2.0, 4.0, 8.0] and len(fake.asked) == 5


def test_a_body_that_is_cut_off_is_never_taken_for_a_whole_one(fake, door, clock):
    fake.files["/a"] = b"whole"
    fake.fail("/a", Said(200, b"whole", cut=2))
    assert door.get(f"{fake.root}/a", SENDS).body == b"whole" and clock.waited == [2.0]
    fake.always["/a"] = Said(200, b"whole", cut=2)
    with pytest.raises(ServiceError, match="cut short"):
        door.get(f"{fake.root}/a", SENDS)


def test_what_is_not_there_is_told_from_what_is_refused(fake, door):
    with pytest.raises(AbsentError, match="nothing at this address"):
        door.get(f"{fake.root}/none", SENDS)
    fake.fail("/a", Said(406, b"Not acceptable"), Said(403, NOT_FOUND))
    for words in ("status 406: Not acceptable", r"status 403\)"):
        with pytest.raises(ServiceError, match=words) as caught:
            door.get(f"{fake.root}/a", SENDS)
        assert not isinstance(caught.value, AbsentError)


def test_it_follows_to_the_same_host_alone_and_not_in_circles(fake, door):
    fake.files["/b"] = b"x"
    fake.fail("/a", Said(302, headers={"Location": "/b"}))
    assert door.get(f"{fake.root}/a", SENDS).body == b"x"
    for to in ("https://other.example/a", "http://169.254.169.254/latest", "ftp://127.0.0.1/a"):
        fake.fail("/a", Said(301, headers={"Location": to}))
        with pytest.raises(ServiceError, match="which is not followed"):
            door.get(f"{fake.root}/a", SENDS)
    fake.always["/round"] = Said(307, headers={"Location": "/round"})
    with pytest.raises(ServiceError, match="in a circle"):
        door.get(f"{fake.root}/round", SENDS)


def test_only_https_to_public_addresses_but_for_hosts_that_are_named(fake, monkeypatch):
    fake.files["/a"] = b"x"
    door = door_of(services_of(fake, manners={"plain_hosts": []}))
    with pytest.raises(ServiceError, match="only https is"):
        door.get(f"{fake.root}/a", SENDS)
    for host in ("127.0.0.1", "10.0.0.1", "169.254.169.254", "[::1]", "[::ffff:127.0.0.1]"):
        with pytest.raises(ServiceError, match="private address"):
            door.get(f"https://{host}/a", SENDS)
    looked_up = [(2, 1, 6, "", ("192.168.1.1", 443))]
    monkeypatch.setattr("socket.getaddrinfo", lambda *_, **__: looked_up)
    with pytest.raises(ServiceError, match=r"at the private address 192\.168\.1\.1"):
        door.get("https://looks-public.example/a", SENDS)
    with pytest.raises(ServiceError, match="user's name"):
        door.get("https://someone@looks-public.example/a", SENDS)
    assert fake.asked == []


def test_no_answer_is_larger_or_slower_than_allowed(fake, monkeypatch):
    fake.files["/a"] = bytes(200_000)
    door = door_of(services_of(fake, manners={"most_mb": 0.1}))
    with pytest.raises(ServiceError, match=r"larger than 0.1 MB"):
        door.get(f"{fake.root}/a", SENDS)
    clock = Clock()
    times = iter(range(0, 10_000, 400))
    monkeypatch.setattr(clock, "monotonic", lambda: next(times))
    with pytest.raises(ServiceError, match="took longer than 600 s"):
        door_of(services_of(fake), None, clock).get(f"{fake.root}/a", SENDS)


def test_a_service_that_never_answers_is_left(fake):
    hang = threading.Event()
    fake._answer = lambda handler: hang.wait(5)
    door = door_of(services_of(fake, manners={"read_s": 0.05, "tries": 2}))
    with pytest.raises(ServiceError, match="did not answer in time"):
        door.get(f"{fake.root}/a", SENDS)
    hang.set()


def test_an_answer_that_was_believed_is_not_asked_for_again_until_it_is_old(fake, tmp_path):
    fake.files["/a"] = b"x"
    services, clock = services_of(fake), Clock()

    def ask(path="/a", check=lambda answer: None):
        return door_of(services, tmp_path, clock).get(f"{fake.root}{path}", SENDS, check=check)

    first, second = ask(), ask()
    assert (first.body, first.on, first.status) == (second.body, second.on, second.status)
    assert len(fake.asked) == 1
    ask("/a?other")
    assert len(fake.asked) == 2
    clock.time += timedelta(days=31)
    assert ask().on == clock.time.date() and len(fake.asked) == 3
    [file] = [f for f in tmp_path.iterdir() if b'"' in f.read_bytes() and b"other" not in
              f.read_bytes()]  # fmt: skip
    file.write_bytes(file.read_bytes()[:-1] + b"y")  # a byte that went wrong on the disk
    assert ask().body == b"x" and len(fake.asked) == 4


def test_an_answer_that_is_refused_is_not_kept(fake, tmp_path):
    fake.files["/a"] = b"error"
    services = services_of(fake)

    def no(answer):
        raise ServiceError("it is no answer")

    for _ in range(2):
        with pytest.raises(ServiceError, match="no answer"):
            door_of(services, tmp_path).get(f"{fake.root}/a", SENDS, check=no)
    assert len(fake.asked) == 2


def test_what_never_left_is_not_told_as_sent_and_what_left_is(fake, services):
    door = door_of(services)
    with pytest.raises(ServiceError):
        door.get("https://10.0.0.1/a", SENDS)
    assert door.sent == {}
    fake.always["/a"] = Said(200, b"whole", cut=2)
    with pytest.raises(ServiceError):
        door.get(f"{fake.root}/a", SENDS)
    assert door.sent == {(fake.root[7:], SENDS): 4} and len(fake.asked) == 4


def test_of_a_refusal_that_is_longer_than_the_part_asked_for_only_the_status_counts(
    fake, door, clock
):
    fake.files["/a"] = b"0123456789"
    fake.fail("/a", Said(503, bytes(300_000)))
    part = door.part(f"{fake.root}/a", 2, 4, SENDS, check=lambda answer: None)
    assert part.body == b"234" and clock.waited == [2.0]


def test_an_address_with_strange_letters_stays_one_address(fake, door):
    fake.files["/a b/ö.tif"] = b"x"
    assert door.get(f"{fake.root}/a b/ö.tif", SENDS).body == b"x"
    with pytest.raises(AbsentError):
        door.get(f"{fake.root}/a\r\nX-Header: 1", SENDS)
    assert "X-Header" not in fake.asked[-1].headers
    for address in ("http://", "https://[::1", "nonsense"):
        with pytest.raises(ServiceError):
            door.get(address, SENDS)


def test_a_host_with_a_dead_address_is_reached_by_its_next(fake, monkeypatch):
    fake.files["/a"] = b"x"
    port = fake.server.server_address[1]
    found = [(2, 1, 6, "", (place, port)) for place in ("127.255.255.254", "127.0.0.1")]
    monkeypatch.setattr("socket.getaddrinfo", lambda host, *_, **__: (
        found if host == "holm.example" else [(2, 1, 6, "", (host, port))]))  # fmt: skip
    services = services_of(fake, manners={"plain_hosts": ["holm.example"], "connect_s": 1.0})
    door = door_of(services)
    assert door.get(f"http://holm.example:{port}/a", SENDS).body == b"x"
    assert len(fake.asked) == 1 and fake.asked[0].headers["Host"] == f"holm.example:{port}"


def test_one_request_at_a_time_also_from_several_threads(fake, door):
    for n in range(8):
        fake.files[f"/{n}"] = bytes(100_000)
    threads = [
        threading.Thread(target=door.get, args=(f"{fake.root}/{n}", SENDS)) for n in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(fake.asked) == 8 and fake.most_at_once == 1


@pytest.mark.skipif(shutil.which("openssl") is None, reason="makes a certificate with openssl")
def test_a_server_whose_certificate_nobody_signed_is_told_nothing(tmp_path):
    key, certificate = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-nodes", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1",
         "-keyout", key, "-out", certificate],
        check=True, capture_output=True,
    )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    with Fake() as fake:
        fake.server.socket = context.wrap_socket(fake.server.socket, server_side=True)
        fake.server.handle_error = lambda *_: None
        secure = fake.root.replace("http:", "https:")
        with pytest.raises(ServiceError, match="certificate is not valid"):
            door_of(services_of(fake)).get(f"{secure}/a", SENDS)
        assert fake.asked == []
