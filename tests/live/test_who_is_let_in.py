"""Only who has the address gets in, only the page itself may say something, only one commands."""

from __future__ import annotations

import http.client

import pytest
from serving import OTHER, PAGE, Served

from seqrun.live.access import CLOSED_S, GONE_S, Commander, Door
from seqrun.live.network import qr_lines
from seqrun.runner.prompts import Asked, Key, Prompt

EVERYTHING = ("/", "/events?page=" + PAGE)
SAID = ("answer", "press", "stop", "command", "here", "closed")


@pytest.mark.parametrize("path", EVERYTHING)
def test_without_the_token_nothing_is_shown(served: Served, path: str) -> None:
    for heads in ({}, {"Cookie": f"{served.door.cookie}=guess"}, {"Cookie": "seqrun=x"}):
        status, text = served.ask("GET", path, **heads)
        assert status == 403 and "S-1" not in text


@pytest.mark.parametrize("token", ["", "guess", "%00", "é", "x" * 5000])
def test_a_wrong_token_is_refused_in_words(served: Served, token: str) -> None:
    from urllib.parse import quote

    status, text = served.ask("GET", f"/?token={quote(token)}")
    assert status == 403 and "terminal" in text and "S-1" not in text


def test_the_token_opens_the_page_and_the_cookie_is_kept_from_scripts_and_other_sites(
    served: Served,
) -> None:
    status, heads, text = served.whole("GET", f"/?token={served.door.token}")
    assert status == 200 and "S-1" in text and served.door.token not in text
    cookie = heads["Set-Cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    policy = heads["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "script-src 'self'" in policy
    assert "unsafe" not in policy and heads["Cache-Control"] == "no-store"
    assert heads["Referrer-Policy"] == "no-referrer"


@pytest.mark.parametrize("said", SAID)
def test_nothing_is_taken_from_another_site_or_from_nobody(served: Served, said: str) -> None:
    cookie = f"{served.door.cookie}={served.door.worth}"
    ours = f"http://{served.host}"
    body = {"page": PAGE, "question": "", "answer": "", "key": "t"}
    for heads in (
        {"Origin": ours},
        {"Cookie": cookie},
        {"Cookie": cookie, "Origin": "null"},
        {"Cookie": cookie, "Origin": "http://example.org"},
        {"Cookie": cookie, "Origin": f"https://{served.host}"},
        {"Cookie": cookie, "Origin": f"http://127.0.0.1:{served.port + 1}"},
        {"Cookie": cookie, "Origin": "http://evil.test", "Host": "evil.test"},
        {"Cookie": cookie, "Origin": f"http://127.0.0.1.evil.test:{served.port}"},
    ):
        status, _ = served.ask("POST", f"/{said}", body, **heads)
        assert status in (403, 421), heads
    assert not served.stopped and not served.command.held()


def test_a_name_that_was_made_to_point_here_is_not_ours(served: Served) -> None:
    cookie = f"{served.door.cookie}={served.door.worth}"
    status, text = served.ask("GET", "/", Cookie=cookie, Host="rebound.test")
    assert status == 421 and "S-1" not in text
    status, _ = served.ask("GET", f"/?token={served.door.token}", Host="rebound.test")
    assert status == 421
    tunnel = Door(["127.0.0.1", "localhost"], 1)
    assert tunnel.is_ours("localhost:9000") and tunnel.same_origin(
        "http://localhost:9000", "localhost:9000"
    )


@pytest.mark.parametrize(
    "body",
    [
        "", "[]", "{}", "null", "{", '{"page": 1}', '{"page": ["x"]}', "x" * 9000,
        '{"page": "' + "é" * 24 + '", "question": "", "answer": ""}', "[" * 3000,
    ],
)  # fmt: skip
@pytest.mark.parametrize("said", ["answer", "press"])
def test_a_message_that_is_none_is_refused_and_harms_nothing(
    served: Served, said: str, body: str
) -> None:
    heads = {
        "Cookie": f"{served.door.cookie}={served.door.worth}", "Origin": f"http://{served.host}",
    }  # fmt: skip
    status, text = served.ask("POST", f"/{said}", body, **heads)
    assert status == 409 and "refused" in text
    assert served.get("/")[0] == 200


def test_there_is_no_way_to_other_files(served: Served) -> None:
    for path in ("/static/../app.py", "/static/%2e%2e%2fapp.py", "/static/run.html.j2", "/x"):
        assert served.get(path)[0] == 404
    assert served.get("/static/live.js")[0] == 200


def test_the_second_page_commands_only_when_the_first_is_gone() -> None:
    now = [0.0]
    command = Commander(lambda: now[0])
    assert command.may(PAGE) and not command.may(OTHER)
    now[0] = GONE_S - 1.0
    assert not command.may(OTHER)
    now[0] = GONE_S + 0.1
    assert command.may(OTHER) and not command.may(PAGE)
    command.closed(OTHER)
    now[0] += CLOSED_S - 0.1
    assert not command.may(PAGE)  # it may be a page that is loaded again
    now[0] += 0.2
    assert command.may(PAGE)


def test_a_second_commander_is_told_why_and_may_still_end_the_run(served: Served) -> None:
    with served.answers.asking(Prompt("", Asked("note", "Read it", (Key("", "read"),)))) as given:
        question = served.board.scene.question
        assert question is not None
        assert served.say("here", PAGE)[0] == 200
        status, text = served.say("answer", OTHER, question=question.id, answer="")
        assert status == 409 and "Another page is in command" in text and given() is None
        assert served.say("command", OTHER)[0] == 409
        served.board.change(keys=(Key("t", "tap"),))
        assert served.say("press", OTHER, key="t")[0] == 409
        assert served.answers.taken() == []
        assert served.say("stop", OTHER)[0] == 200 and served.stopped == [True]
        assert served.say("answer", PAGE, question=question.id, answer="")[0] == 200
        assert given() == ""


def test_a_run_that_is_safe_already_is_not_ended_once_more(served: Served) -> None:
    served.board.change(safe=True)
    status, text = served.say("stop")
    assert status == 409 and "entered already" in text and not served.stopped


def test_a_dead_page_and_one_that_reads_nothing_hold_up_nothing(served: Served) -> None:
    cookie = {"Cookie": f"{served.door.cookie}={served.door.worth}"}
    line = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60.0)
    line.request("GET", f"/events?page={PAGE}", headers=cookie)
    assert line.getresponse().status == 200
    long = "a" * 200_000
    for number in range(200):  # 40 MB that nobody reads: only the latest of it is kept
        served.board.change(index=0, text=f"{number} {long}")
    assert served.board.scene.text.startswith("199")
    assert served.get("/")[0] == 200
    line.close()
    served.board.change(text="on it goes")
    assert "on it goes" in served.get("/")[1]


def test_the_qr_code_is_square_and_has_its_quiet_zone() -> None:
    lines = qr_lines("http://192.0.2.10:50000/?token=" + "x" * 24)
    assert len({len(line) for line in lines}) == 1 and len(lines[0]) <= 78
    assert set(lines[0]) == {"█"}  # light, as all around
    assert abs(2 * len(lines) - len(lines[0])) <= 1
