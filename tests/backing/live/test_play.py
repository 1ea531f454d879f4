"""Whole processes that play on a JACK server without a sound card, some on a terminal."""

from __future__ import annotations

import signal
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.backing.live.conftest import Play, Player, Receiver, listen, playing
from tests.backing.live.jackd import assert_played, patched
from tests.waiting import PATIENCE


def bass(receiver: Receiver) -> list[int]:
    return [data[1] for _, data in receiver.ons() if data[0] == 0x96]


# --- to the end ----------------------------------------------------------------


@pytest.fixture(scope="module")
def played(jack: str) -> Iterator[tuple[Receiver, int, str, str]]:
    """Play once, without a terminal: what was heard, the code, what was said."""
    with listen() as receiver, playing() as play:
        player = play("two_bars()", port=receiver.name)
        said = player.says()
        receiver.settle()
        yield receiver, player.process.returncode, *said


Played = tuple[Receiver, int, str, str]


def test_without_a_terminal_it_says_one_line_and_plays_to_the_end(played: Played) -> None:
    receiver, code, out, err = played
    assert (code, out) == (0, "came home\n")
    assert err.startswith("playing Clicks in A, 0:01, on " + receiver.name)
    assert err.endswith("loud headphones can damage hearing.\n")
    assert err.count("\n") == 1
    receiver.assert_silent()
    assert bass(receiver) == [40] * 8


def test_channels_are_set_up_before_the_first_note(played: Played) -> None:
    heard = played[0].heard
    first = next(n for n, (_, data) in enumerate(heard) if data[0] & 0xF0 == 0x90)
    before = [data for _, data in heard[:first]]
    assert (0xC6, 33) in before
    assert (0xC0, 27) in before
    assert (0xB0, 6, 24) in before


# --- however it ends -------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGINT, -signal.SIGINT), (signal.SIGTERM, 143), (signal.SIGHUP, 129)],
)
def test_a_signal_leaves_nothing_sounding(
    receiver: Receiver, play: Play, number: int, code: int
) -> None:
    player = play("held()", port=receiver.name)
    receiver.wait(lambda heard: any(data[0] == 0xE2 and data[2] > 64 for _, data in heard))
    player.signal(number)
    assert player.end() in (code, 130 if number == signal.SIGINT else code)
    receiver.assert_silent()


def test_a_crash_in_the_display_leaves_nothing_sounding(
    receiver: Receiver, play: Play, tmp_path: Path
) -> None:
    sounds = tmp_path / "sounds"
    before = (
        "import backing.live.play as module\n"
        "from pathlib import Path\n"
        "def picture(*words, **more):\n"
        f"    if Path({str(sounds)!r}).exists(): raise ZeroDivisionError('display')\n"
        "    return kept(*words, **more)\n"
        "kept, module.picture = module.picture, picture\n"
    )
    player = play("held()", terminal=True, before=before, port=receiver.name)
    mode = termios.tcgetattr(_fd(player))
    receiver.wait(lambda heard: any(data[0] & 0xF0 == 0x90 for _, data in heard))
    sounds.touch()
    assert player.end() == 1
    receiver.assert_silent()
    assert b"ZeroDivisionError" in player.shown
    assert termios.tcgetattr(_fd(player)) == mode
    assert player.shown.rfind(b"\x1b[?25h") > player.shown.rfind(b"\x1b[?25l") > -1


def _fd(player: Player) -> int:
    assert player.master is not None
    return player.master


def test_a_closed_terminal_leaves_nothing_sounding(receiver: Receiver, play: Play) -> None:
    player = play("held()", terminal=True, port=receiver.name)
    receiver.wait(lambda heard: any(data[0] == 0xE2 and data[2] > 64 for _, data in heard))
    player.hang_up()
    assert player.end() == 129
    receiver.assert_silent()


def test_a_port_that_goes_is_told(jack: str, receiver: Receiver, play: Play) -> None:
    player = play("held()", port=receiver.name)
    receiver.wait(lambda heard: any(data[0] & 0xF0 == 0x90 for _, data in heard))
    receiver.leave()
    assert player.end() == 1
    assert player.process.stderr is not None
    said = player.process.stderr.read().decode()
    assert "the MIDI port has gone; connect it again and start once more" in said
    assert "Traceback" not in said


# --- keys ---------------------------------------------------------------------------


def test_keys_on_a_terminal(receiver: Receiver, play: Play) -> None:
    player = play("clicks(4, 1, 240)", terminal=True, port=receiver.name)
    mode = termios.tcgetattr(_fd(player))
    receiver.wait(lambda _: len(bass(receiver)) >= 1)
    player.type(" ")
    player.wait_for("STOPPED")
    receiver.wait(lambda _: not receiver.sounding())
    assert bass(receiver) == [40] * 4
    assert not termios.tcgetattr(_fd(player))[3] & termios.ECHO
    player.type("n")  # from pass 2, where it stopped, to pass 3
    player.wait_for("Pass 3")
    player.type("m")
    player.wait_for("phrase off")
    player.type("-")
    player.wait_for("tempo 238")
    player.type("\x1b[A\x1bOPxyz ")  # arrow and function keys are none of ours
    receiver.wait(lambda _: 42 in bass(receiver))
    player.type("q")
    assert player.end() == 0
    receiver.assert_silent()
    assert 41 not in bass(receiver)
    assert (0x90, 72, 90) not in [data for _, data in receiver.heard]
    assert b"came home" in player.shown
    assert termios.tcgetattr(_fd(player)) == mode


def test_control_c_on_a_terminal(receiver: Receiver, play: Play) -> None:
    player = play("held()", terminal=True, port=receiver.name)
    mode = termios.tcgetattr(_fd(player))
    receiver.wait(lambda heard: any(data[0] & 0xF0 == 0x90 for _, data in heard))
    player.wait_for("q quit")
    player.type("\x1a\x13")  # Ctrl-Z and Ctrl-S neither hold nor hide it
    player.type("\x03")
    player.end()
    receiver.assert_silent()
    assert b"KeyboardInterrupt" in player.shown
    assert termios.tcgetattr(_fd(player)) == mode


def test_a_pedal_stops_and_goes_on(receiver: Receiver, play: Play) -> None:
    import rtmidi

    from backing.hush import quiet

    with quiet():
        foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=receiver.name.replace("stage", "foot"))
        foot.open_virtual_port("out")
    try:
        player = play(
            "clicks(4, 1, 240)", terminal=True, port=receiver.name,
            pedal=receiver.name.replace("stage", "foot") + ":60=space,62=q",
        )  # fmt: skip
        receiver.wait(lambda _: len(bass(receiver)) >= 1)
        foot.send_message([0x90, 61, 100])
        foot.send_message([0x90, 60, 100])
        foot.send_message([0x80, 60, 0])
        player.wait_for("STOPPED")
        foot.send_message([0x90, 60, 100])
        receiver.wait(lambda _: 41 in bass(receiver))
        foot.send_message([0x90, 62, 100])
        assert player.end() == 0
        receiver.assert_silent()
    finally:
        with quiet():
            foot.close_port()
            foot.delete()


# --- the sound card --------------------------------------------------------------------

# Says that sound leaves; how soon, `benchmarks.first_sound` measures.
NOTED = """
import backing.live.sound as module
kept = module.Playback._fill
def fill(self, out):
    kept(self, out)
    if out.any() and not noted:
        noted.append(True)
        print("SOUND", flush=True)
noted, module.Playback._fill = [], fill
"""


def test_the_sound_card_sounds_to_the_end(jack: str, play: Play, soundfont: str) -> None:
    player = play("two_bars()", before=NOTED, soundfont=str(soundfont))
    out, err = player.says()
    assert player.process.returncode == 0
    assert out == "SOUND\ncame home\n"
    assert "on system (JACK Audio Connection Kit)" in err
    assert "loud headphones" in err


# Plays once output is connected to input, and keeps what comes back.
LOOPED = """
import sys, threading
from pathlib import Path
import numpy as np
from backing.live.card import Card
from backing.live.reel import Renderer
from backing.live.index import StreamIndex
from backing.live.sound import Playback
from tests.backing.live.material import clicks
from tests.waiting import until
stream = clicks(1, 2, 240)
came, led = [], threading.Event()
def heard(block, frame):
    if (block == 0.5).all():
        led.set()
    elif led.is_set() and not (block == 0.5).any():
        came.append(block.copy())
kept = Playback._fill
def fill(self, out):
    if not led.is_set():
        out.fill(0.5)
    else:
        kept(self, out)
Playback._fill = fill
card = Card(heard=heard)
sound = Playback(Path(sys.argv[1]), card)
sound.start(StreamIndex(stream))
print("playing", flush=True)
until(lambda: sound.check() or sound.finished)
sent = len(came)
until(lambda: len(came) >= sent + 4)
sound.close()
renderer = Renderer(StreamIndex(stream), Path(sys.argv[1]), card.rate)
blocks = []
while not renderer.over:
    blocks.append(renderer.block())
np.savez(sys.argv[2], came=np.concatenate(came), wanted=np.concatenate(blocks))
"""


def test_what_arrives_over_jack_is_bit_for_bit_what_was_rendered(
    jack: str, soundfont: str, tmp_path: Path
) -> None:
    words = [sys.executable, "-c", LOOPED, str(soundfont), str(tmp_path / "came.npz")]
    with patched():
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=PATIENCE)
    assert done.returncode == 0, done.stderr
    with np.load(tmp_path / "came.npz") as found:
        assert_played(found["came"], found["wanted"])


def test_the_sound_card_stops_by_keys_and_signals(jack: str, play: Play, soundfont: str) -> None:
    player = play("held()", terminal=True, soundfont=str(soundfont))
    player.wait_for("bar 1 of")
    player.type("-")  # 240 is the most there is
    player.wait_for("at the bar line 238")
    player.wait_for("tempo 238")
    player.type("m")
    player.wait_for("phrase off")
    player.type(" ")
    player.wait_for("STOPPED")
    player.type("q")
    assert player.end() == 0
    player = play("held()", terminal=True, soundfont=str(soundfont))
    player.wait_for("bar 1 of")
    player.signal(signal.SIGTERM)
    assert player.end() == 143


def test_what_came_too_late_is_told_once_the_terminal_is_put_back(
    jack: str, play: Play, soundfont: str
) -> None:
    before = (
        "import backing.live.sound as module\n"
        "kept = module.Playback._make\n"
        "def make(self): time.sleep(0.8 * (0.6 < self._made / 48000 < 0.7)); kept(self)\n"
        "module.Playback._make = make\n"
    )
    player = play("two_bars()", terminal=True, before=before, soundfont=str(soundfont))
    assert player.end() == 0
    assert (
        player.shown.rfind(b" s of sound came too late") > player.shown.rfind(b"\x1b[?1049l") > 0
    )


def test_a_crash_in_the_sound_is_raised(jack: str, play: Play, soundfont: str) -> None:
    before = (
        "import backing.live.sound as module\n"
        "def fill(self, out): raise ZeroDivisionError('sound')\n"
        "module.Playback._fill = fill\n"
    )
    player = play("held()", before=before, soundfont=str(soundfont))
    assert player.end() == 1
    assert player.process.stderr is not None
    assert b"ZeroDivisionError: sound" in player.process.stderr.read()


def test_a_sound_server_that_goes_is_told(
    play: Play, soundfont: str, other_jack: subprocess.Popen[bytes]
) -> None:
    player = play("held()", terminal=True, soundfont=str(soundfont))
    player.wait_for("bar 1 of")
    other_jack.terminate()
    assert player.end() == 1
    assert b"the sound card has gone; connect it again" in player.shown
    assert b"Traceback" not in player.shown


def test_a_midi_server_that_goes_is_told(play: Play, other_jack: subprocess.Popen[bytes]) -> None:
    with listen() as stage:
        player = play("held()", port=stage.name)
        stage.wait(lambda heard: any(data[0] & 0xF0 == 0x90 for _, data in heard))
        other_jack.terminate()
        _, said = player.says()
    assert player.process.returncode == 1
    assert "the MIDI port has gone" in said
    assert "Traceback" not in said


def test_importing_it_loads_nothing_heavy() -> None:
    code = "import sys, backing.live.play; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"numpy", "rtmidi", "sounddevice", "fluidsynth", "mido"}
    assert not heavy & set(done.stdout.split())


BUSY = """
import sounddevice
def busy(**_):
    raise sounddevice.PortAudioError("Error opening OutputStream: Device unavailable", -9985)
sounddevice.OutputStream = busy
"""


def test_a_busy_sound_card_is_told(jack: str, play: Play, soundfont: str) -> None:
    player = play("held()", before=BUSY, soundfont=str(soundfont))
    _, said = player.says()
    assert player.process.returncode == 1
    assert "cannot be opened, it may be busy (Device unavailable); close other programs" in said
    assert "or write a file (-o NAME.wav)" in said
    assert "Traceback" not in said
