"""The desk's server: who may ask, how it ends, and what many questions at once cost.

References: OWASP, cross-site request forgery prevention (origin, custom headers); RFC 9110 (Host).
"""

from __future__ import annotations

import http.client
import json
import signal
import subprocess
import sys
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from phrases.moves.proposals import vary
from tests.backing.desk.material import PORCH, WINDOW, Served
from tests.waiting import PATIENCE, until

TEXT = PORCH.read_text(encoding="utf-8")


def test_the_token_is_good_once(desk: Served) -> None:
    status, told, _ = desk.ask("/enter", {"token": desk.address.partition("#")[2]})
    assert status == 403
    assert "another" in told["error"]
    assert desk.ask("/enter", {"token": ""})[0] == 403


@pytest.mark.parametrize(
    ("headers", "method", "path"),
    [
        ({"host": "evil.example"}, "POST", "/api/folder"),  # DNS rebinding: another name
        ({"host": "evil.example"}, "GET", "/"),
        ({"host": ""}, "GET", "/"),
        ({"origin": "http://evil.example"}, "POST", "/api/folder"),
        ({"origin": "null"}, "POST", "/api/folder"),
        ({"origin": ""}, "POST", "/api/folder"),  # a form or a script that hides it
        ({"sec_fetch_site": "cross-site"}, "GET", "/desk.js"),
        ({"authorization": ""}, "POST", "/api/folder"),
        ({"authorization": "Bearer x"}, "GET", "/api/events"),
        ({"authorization": "Bearer \xe9"}, "GET", "/api/sound/1/lead"),
    ],
)
def test_who_may_not_ask(desk: Served, headers: dict[str, str], method: str, path: str) -> None:
    assert desk.ask(path, {} if method == "POST" else None, method, **headers)[0] in (400, 403)


def test_the_page_s_policy_lets_nothing_in(desk: Served) -> None:
    status, page, headers = desk.ask("/", None, "GET")
    assert status == 200
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    nonce = policy.partition("'nonce-")[2].partition("'")[0]
    assert nonce.encode() in page  # another for each page
    assert nonce not in desk.ask("/", None, "GET")[2]["content-security-policy"]
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/../desk_command.py", "/server.py", "/vendor/../server.py",
                                  "/%2e%2e/cli/__init__.py", "/desk.html", "/out/"])  # fmt: skip
def test_nothing_else_is_served(desk: Served, path: str) -> None:
    assert desk.ask(path, None, "GET")[0] == 404


def test_a_question_that_is_none_is_refused(desk: Served) -> None:
    wrong: list[tuple[str, Any]] = [
        ("open", {}), ("open", {"name": 3}), ("look", {"name": "porch.toml"}), ("save", []),
        ("show", {"path": "out/../porch.toml"}), ("open", {"name": "../x.toml"}),
        ("play", {"name": "porch.toml", "text": TEXT, "from": "x"}),
    ]  # fmt: skip
    for name, asked in wrong:
        told = {"window": WINDOW, **asked} if asked else asked
        status, answer, _ = desk.ask(f"/api/{name}", told)
        assert status in (400, 422), (name, answer)
        assert answer["error"]


def test_a_hundred_previews_at_once_are_few(desk: Served) -> None:
    first = 1000

    def look(number: int) -> bool:
        text = TEXT.replace("Porch light", f"Porch light {number}")
        told = desk.question("look", name="porch.toml", kind="phrase", text=text, stamp="x",
                             variation="", number=first + number)  # fmt: skip
        assert told.get("stale") or told["title"] == f"Porch light {number}"
        return not told.get("stale")

    with ThreadPoolExecutor(100) as crowd:
        drawn = sum(crowd.map(look, range(100)))
    assert 1 <= drawn < 50
    # The last one is among them, and its text is the one that is kept.
    other = desk.question("open", name="porch.toml")["draft"]
    assert other["text"] == TEXT.replace("Porch light", "Porch light 99")
    desk.question("drop", name="porch.toml")


def test_the_lead_is_heard_at_its_pitch(desk: Served) -> None:
    """The first note, e5, is A4: 440 Hz (ISO 16); in C it is C5, 3 semitones higher."""
    for key, pitch in (("A", 440.0), ("C", 440.0 * 2 ** (3 / 12))):
        asked = {"name": "porch.toml", "text": TEXT, "key": key, "variation": ""}
        told = desk.question("play", **asked)
        status, raw, _ = desk.ask(f"/api/sound/{told['number']}/lead", None, "GET")
        assert status == 200
        wave = np.frombuffer(raw, "<i2").reshape(-1, 2).mean(axis=1) / 32768
        assert abs(len(wave) / told["rate"] - told["seconds"]) < 4
        start = round((told["times"][0][1] + 0.05) * told["rate"])
        heard = wave[start : start + 6000] * np.hanning(6000)
        spectrum = np.abs(np.fft.rfft(heard, 1 << 17))
        hertz = np.fft.rfftfreq(1 << 17, 1 / told["rate"])
        near = (hertz > pitch * 0.9) & (hertz < pitch * 1.1)
        assert abs(1200 * np.log2(hertz[near][spectrum[near].argmax()] / pitch)) < 20


def test_proposals_of_variations_can_be_heard_and_written(desk: Served) -> None:
    asked = {"name": "porch.toml", "text": TEXT, "seed": 1}
    proposals = desk.question("vary", **asked)["proposals"]
    assert [one["name"] for one in proposals] == [one.name for one in vary(TEXT)]
    for one in proposals:
        text = TEXT + one["more"]
        # What a TOML reader of others finds: the file as it was, and one variation more.
        read, before = tomllib.loads(text), tomllib.loads(TEXT)
        added = read["variation"].pop()
        assert read == {"variation": [], **before}
        assert (added["name"], added["tips"]) == (one["name"], one["words"])
        assert "call" in one["words"]  # where, and why it still asks
        assert desk.question("play", name="porch.toml", text=text, variation=one["name"])["times"]
    assert desk.question("vary", **{**asked, "seed": 2})["proposals"] != proposals
    wrong = TEXT.replace("key", "kye", 1)
    status, told, _ = desk.ask("/api/vary", {**asked, "text": wrong})
    assert status == 422
    assert 'did you mean "key"?' in told["error"]


def test_a_port_in_use_is_said(desk: Served, tmp_path: Path) -> None:
    words = [sys.executable, "-m", "backing.cli", "desk", str(tmp_path), "--port", str(desk.port)]
    done = subprocess.run([*words, "--no-browser"], capture_output=True, text=True)
    assert done.returncode == 1
    assert f"Error: port {desk.port} is in use" in done.stderr
    assert f"--port {desk.port + 1}" in done.stderr


def test_killed_while_it_saves_it_leaves_the_file_or_the_new_one(tmp_path: Path) -> None:
    folder, home = tmp_path / "lessons", tmp_path / "home"
    folder.mkdir()
    path = folder / "porch.toml"
    path.write_text(TEXT, encoding="utf-8")
    texts = [TEXT + f"# {n} " + "x" * 200_000 + "\n" for n in range(40)]
    with Served(folder, home) as desk, ThreadPoolExecutor(1) as hand:
        desk.enter()

        def saves() -> int:
            stamp = desk.question("open", name="porch.toml")["stamp"]
            for number, text in enumerate(texts):
                try:
                    desk.question("look", name="porch.toml", kind="phrase", text=text,
                                  stamp=stamp, variation="", number=number + 1)  # fmt: skip
                    stamp = desk.question("save", name="porch.toml", text=text, stamp=stamp)[
                        "stamp"
                    ]
                except (OSError, http.client.HTTPException, json.JSONDecodeError):
                    return number
            return len(texts)

        running = hand.submit(saves)
        until(lambda: path.stat().st_size > len(TEXT))
        desk.process.send_signal(signal.SIGKILL)
        reached = running.result(PATIENCE)
    assert path.read_text(encoding="utf-8") in (TEXT, *texts)
    with Served(folder, home) as desk:
        desk.enter()
        found = desk.question("open", name="porch.toml")
        seen = [found["text"], found["draft"]["text"] if found["draft"] else ""]
        # What was last sent is in the file or among the drafts, or was on its way.
        assert any(text in seen for text in texts[max(0, reached - 1) : reached + 1])


def test_of_two_windows_neither_loses_what_the_other_writes(desk: Served) -> None:
    one, two = "1" * 16, "2" * 16
    with (
        desk.sent(f"/api/events?window={one}", None, "GET") as here,
        desk.sent(f"/api/events?window={two}", None, "GET") as there,
    ):
        for events in (here, there):
            assert events.readline() == b": here\n"
        stamp = desk.question("open", name="porch.toml")["stamp"]
        asked = {"name": "porch.toml", "kind": "phrase", "stamp": stamp, "variation": ""}
        for window in (one, two):
            desk.question("look", **asked, window=window, text=TEXT + f"# {window}", number=1)
        for window, other in ((one, two), (two, one)):
            found = desk.question("open", name="porch.toml", window=window)
            assert found["draft"]["text"] == TEXT + f"# {window}"
            assert found["windows"] == [other]
        now = {"text": TEXT + "# one\n", "stamp": ""}
        now |= desk.question("save", **{**asked, "text": now["text"]}, window=one)
        assert b"event: saved\n" in (there.readline() for _ in range(12))
        assert json.loads(there.readline().removeprefix(b"data: "))["stamp"] == now["stamp"]
        refused = desk.question("save", **asked, window=two, text=TEXT + "# two\n")
        assert refused == {"changed": now}
        desk.question("drop", name="porch.toml", window=two)
        desk.question("save", **{**asked, "stamp": now["stamp"]}, window=one, text=TEXT)


def test_it_ends_after_its_last_window_and_no_sooner(tmp_path: Path) -> None:
    short = "from backing.desk import server; server.LINGER = server.BEAT = 0.1"
    with Served(tmp_path, tmp_path / "home", errors=subprocess.PIPE, begin=short) as desk:
        desk.enter()
        with desk.sent("/api/events?window=last", None, "GET") as last:
            with desk.sent("/api/events?window=first", None, "GET") as first:
                assert first.readline() == b": here\n"
            lines = [last.readline() for _ in range(32)]  # each second one is empty: 1.5 s
            assert lines[-2] == b": still\n"
            assert desk.process.poll() is None
        _, errors = desk.process.communicate(timeout=PATIENCE)
        assert (desk.process.returncode, errors) == (0, "Ctrl-C ends it\n")


def test_it_ends_with_ctrl_c_and_no_other_word(tmp_path: Path) -> None:
    with Served(tmp_path, tmp_path / "home", errors=subprocess.PIPE) as desk:
        desk.enter()
        with desk.sent(f"/api/events?window={WINDOW}", None, "GET") as events:
            assert events.readline() == b": here\n"
            desk.process.send_signal(signal.SIGINT)
            assert b"event: end\n" in events.read()  # to its last chunk, or this raises
            _, errors = desk.process.communicate(timeout=PATIENCE)
        assert desk.process.returncode == 130
        assert errors.splitlines() == ["Ctrl-C ends it", "", "stopped"]
