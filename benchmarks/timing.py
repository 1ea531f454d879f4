"""How late MIDI is sent live, ours beside mido's own `play`: `python -m benchmarks.timing`.

A JACK server without a sound card runs for it, in real time (`-R`). Both send 1,000 notes in 60 s
in one run, each in a process of its own to a receiver of its own: on an idle machine, then with
every core busy. What is written is the sender's own lateness against its deadlines, and what
the receivers counted. Takes two minutes and writes `TIMING.md`.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from benchmarks.first_sound import first_sounds

RESULTS = Path(__file__).parent / "TIMING.md"
SERVER = f"porchband-bench-{os.getpid()}"
NOTES, SECONDS = 1000, 60
PLAY = [sys.executable, "-m", "benchmarks.timing"]

HEAD = f"""# Live timing

Written by `python -m benchmarks.timing`: {NOTES} notes in {SECONDS} s, both senders in one run,
over a JACK server without a sound card (`jackd -R -d dummy -r 48000 -p 256`).

{{machine}}

Milliseconds from a note's deadline until it is sent; drift is the mean of the last hundred notes
less that of the first. "Busy" is how many cores worked during the run, whoever used them: a run on
an idle machine has well under half of one. Wanted: 99 % under 0.2 ms idle, half under 0.1 ms
loaded, nothing lost. Ours asks for real-time priority, which {{granted}} here; mido asks for none.

| added load | busy | sender | median | 99 % | most | drift | notes heard |
|---|---|---|---|---|---|---|---|
"""


FIRST = """
## First sound

Milliseconds from the start of the process until the first sound is handed to the sound card's
callback, or the first note to the MIDI port; 15 runs each, nothing else at work. Wanted: 350.

| command | on | median | least | most |
|---|---|---|---|---|"""


def stream() -> object:
    """Return a stream of evenly spaced notes of the bass."""
    from fractions import Fraction

    from backing.events import Note, Section, Stream
    from phrases.counting import METERS
    from phrases.pitch import Key

    step = SECONDS / NOTES
    notes = tuple(Note("bass", n * step, (n + 0.5) * step, 40, 100) for n in range(NOTES))
    whole = Fraction(SECONDS)
    section = Section("even", Fraction(0), whole, Fraction(0), whole, Fraction(60), 1.0, notes)
    return Stream("Even", Key("A"), METERS["4/4"], 1, (section,), {"bass": 33})


def ours(port: str, *, hurried: bool = True) -> list[float]:
    """Play with our sender and return how late each note was, in seconds."""
    from backing.live import sender as module
    from backing.live.index import StreamIndex
    from backing.live.sender import Sender

    if not hurried:
        module._hurry = lambda: None

    sent: list[float] = []

    class Noted(Sender):
        def _send(self, data: tuple[int, ...]) -> None:
            if data[0] & 0xF0 == 0x90:
                sent.append(time.perf_counter() - self._began)
            super()._send(data)

    sender = Noted(port)
    sender.start(StreamIndex(stream()))  # type: ignore[arg-type]
    while not sender.finished:
        time.sleep(0.2)
    sender.close()
    return [at - n * SECONDS / NOTES for n, at in enumerate(sent)]


def theirs(port: str) -> list[float]:
    """Play the same file with mido and return how late each note was, in seconds."""
    import mido

    from backing.midi import midi_file

    mido.set_backend("mido.backends.rtmidi/UNIX_JACK")
    names = [name for name in mido.get_output_names() if port in name]
    late: list[float] = []
    due = 0.0
    with mido.open_output(names[0]) as out:
        file = midi_file(stream())  # type: ignore[arg-type]
        began = time.perf_counter()
        for message in file.play():
            due += message.time
            if message.type == "note_on":
                late.append(time.perf_counter() - began - due)
            out.send(message)
    return late


class Receiver:
    """A MIDI input that counts notes."""

    def __init__(self, name: str) -> None:
        import rtmidi

        self.notes = 0
        self._client = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name, queue_size_limit=1 << 16)
        self._client.open_virtual_port("in")
        self._client.set_callback(self._heard)

    def _heard(self, event: tuple[list[int], float], _: object) -> None:
        self.notes += event[0][0] & 0xF0 == 0x90

    def close(self) -> None:
        self._client.cancel_callback()
        self._client.close_port()
        self._client.delete()


PLAYERS: dict[str, Callable[[str], list[float]]] = {
    "ours": ours,
    "ours, no priority": lambda port: ours(port, hurried=False),
    "mido": theirs,
}


def worked() -> tuple[int, int]:
    """Return the ticks of all cores since the start: at work, and in all."""
    first = Path("/proc/stat").read_text(encoding="ascii").splitlines()[0]
    ticks = [int(word) for word in first.split()[1:9]]
    return sum(ticks) - ticks[3] - ticks[4], sum(ticks)


def hurries() -> bool:
    """Tell whether this system lets a player have real-time priority."""
    ask = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(5))"
    done = subprocess.run([sys.executable, "-c", ask], stderr=subprocess.DEVNULL, check=False)
    return done.returncode == 0


@contextmanager
def busy(cores: int) -> Iterator[None]:
    """Keep cores busy."""
    burners = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(cores)]
    try:
        yield
    finally:
        for burner in burners:
            burner.kill()
            burner.wait()


def measured(machine: str) -> Iterator[str]:
    """Run both senders and yield their rows."""
    receivers = {who: Receiver(f"{machine} {number}") for number, who in enumerate(PLAYERS)}
    before, ticks = worked()
    running = {
        who: subprocess.Popen(
            [*PLAY, who, f"{machine} {number}"], stdout=subprocess.PIPE, text=True
        )
        for number, who in enumerate(PLAYERS)
    }
    said = {who: process.communicate()[0] for who, process in running.items()}
    after, ticks_after = worked()
    used = (after - before) / (ticks_after - ticks) * (os.cpu_count() or 1)
    for who, out in said.items():
        late = [1000 * one for one in json.loads(out.splitlines()[-1])]
        time.sleep(0.2)
        order = sorted(late)
        figures = (
            statistics.median(late), order[int(0.99 * len(order))], order[-1],
            statistics.mean(late[-100:]) - statistics.mean(late[:100]),
        )  # fmt: skip
        cells = " | ".join(f"{figure:.3f}" for figure in figures)
        yield f"| {machine} | {used:.1f} | {who} | {cells} | {receivers[who].notes} of {NOTES} |"
        receivers[who].close()


@contextmanager
def server() -> Iterator[None]:
    """Run a JACK server without a sound card."""
    os.environ.update(
        JACK_NO_AUDIO_RESERVATION="1", JACK_NO_START_SERVER="1", JACK_DEFAULT_SERVER=SERVER
    )
    process = subprocess.Popen(
        ["jackd", "-R", "-n", SERVER, "-d", "dummy", "-r", "48000", "-p", "256"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    time.sleep(2.0)
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def main(words: list[str]) -> int:
    """Measure, or play as one of the two."""
    if words:
        late = PLAYERS[words[0]](words[1])
        print(json.dumps(late))
        return 0
    if shutil.which("jackd") is None:
        print("the jackd command is needed (Debian: apt-get install jackd2)", file=sys.stderr)
        return 1
    cores = os.cpu_count() or 1
    machine = (
        f"Python {platform.python_version()}, {platform.system()} {platform.machine()}, "
        f"{cores} cores."
    )
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # who installs it has its code compiled
    rows = []
    with server():
        for state, load in (("none", 0), ("every core", cores)):
            with busy(load):
                for row in measured(state):
                    print(row, file=sys.stderr, flush=True)
                    rows.append(row)
        rows.append(FIRST)
        stage = Receiver("stage")
        for row in first_sounds("stage"):
            print(row, file=sys.stderr, flush=True)
            rows.append(row)
        stage.close()
    head = HEAD.format(machine=machine, granted="is granted" if hurries() else "is refused")
    RESULTS.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
