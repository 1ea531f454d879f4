from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from backing.live.errors import LiveError
from backing.live.ports import inputs, outputs
from backing.live.sender import Sender
from tests.backing.live.conftest import Receiver


def test_ports_that_are_there_are_listed(receiver: Receiver) -> None:
    assert any(receiver.name in name for name in outputs())
    assert not any(receiver.name in name for name in inputs())


def test_a_part_of_a_name_is_enough(receiver: Receiver) -> None:
    sender = Sender(receiver.name.upper())
    assert sender.name in outputs()
    sender.close()


def test_a_port_that_is_not_there(receiver: Receiver) -> None:
    close = receiver.name.replace("stage", "stags") + ":in"
    with pytest.raises(LiveError, match='is not a MIDI output; did you mean "stage'):
        Sender(close)
    with pytest.raises(LiveError, match=r"is not a MIDI output; there is .*stage"):
        Sender("qqqqqqqqqqqqqqqqqqqq")


def test_a_name_that_fits_several(receiver: Receiver) -> None:
    import rtmidi

    more = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=receiver.name.replace("stage", "stage two"))
    more.open_virtual_port("in")
    with pytest.raises(LiveError, match=r"fits several MIDI ports: .*; write more of the name"):
        Sender("stage")
    more.close_port()
    more.delete()


# In a process of its own, since a library remembers which server it found.
WITHOUT = """
import sys
sys.path.insert(0, ".")
from backing.live import ports
from backing.live.play import play
from phrases.errors import BluesError
from tests.backing.live.material import two_bars
print(ports.outputs(), ports.inputs())
{before}
try:
    play(two_bars(), **{options!r})
except BluesError as error:
    print("Error:", error)
"""


def without_anything(before: str = "", **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITHOUT.format(before=before, options=options)],
        capture_output=True, text=True, check=True, stdin=subprocess.DEVNULL,
        env={"JACK_DEFAULT_SERVER": "nowhere", "JACK_NO_START_SERVER": "1", "PATH": ""},
    )  # fmt: skip


def test_no_midi_system(soundfont: str) -> None:
    pytest.importorskip("rtmidi")
    done = without_anything(port="synth")
    if done.stdout.startswith("[] []"):
        assert "synth: there is no MIDI output here; connect or start an instrument" in done.stdout
    assert "Error: " in done.stdout
    assert done.stderr == ""


def test_no_sound_card(soundfont: str) -> None:
    """Whatever this machine has, PortAudio finds none of it."""
    before = (
        "import sounddevice\n"
        "sounddevice.query_hostapis = lambda: ()\n"
        "sounddevice.default.device = (-1, -1)\n"
    )
    done = without_anything(before, soundfont=str(soundfont))
    assert "Error: no sound card was found; connect or switch one on" in done.stdout
    assert "--port" in done.stdout
    assert done.stderr == ""


def test_no_portaudio(soundfont: str) -> None:
    before = (
        "import ctypes.util\n"
        "kept = ctypes.util.find_library\n"
        "ctypes.util.find_library = lambda n: None if n.startswith('portaudio') else kept(n)\n"
    )
    done = without_anything(before, soundfont=str(soundfont))
    assert "Error: no live sound without the PortAudio library; get it with: " in done.stdout


@pytest.mark.parametrize("package", ["sounddevice", "rtmidi"])
def test_no_package(package: str, soundfont: str) -> None:
    before = f"sys.modules[{package!r}] = None\n"
    options = {"soundfont": str(soundfont)} if package == "sounddevice" else {"port": "x"}
    done = without_anything(before, **options)
    assert f"Error: no {'live sound' if package == 'sounddevice' else 'MIDI ports'}" in done.stdout
    assert "is not installed for this Python" in done.stdout


# A card that another program has opened: PortAudio lists it and refuses to open it.
BUSY = """
import sys, sounddevice
card = {"name": "Card One", "hostapi": 0, "max_input_channels": 2, "max_output_channels": 2}
api = {"name": "ALSA", "default_input_device": 0, "default_output_device": 0}
sounddevice.default.device = (0, 0)
sounddevice.query_hostapis = lambda number=None: (api,) if number is None else api
sounddevice.query_devices = lambda number: card
def refuse(**_):
    raise sounddevice.PortAudioError("Error opening OutputStream: Device unavailable", -9985)
sounddevice.OutputStream = refuse
from backing.cli import main
sys.argv = ["backing", "track", "--soundfont", sys.argv[1]]
main()
"""


def test_a_busy_sound_card(soundfont: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", BUSY, str(soundfont)],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        "Error: Card One (ALSA): the sound card cannot be opened, it may be busy (Device "
        "unavailable); close other programs that play or record, or play on a MIDI port "
        "(--port), or write a file (-o NAME.wav)\n"
    )
