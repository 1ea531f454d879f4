"""Where one is in the piece, and what is due: no sound, no port, no clock of its own.

Conventions: an instant is a moment of whatever clock drives the transport, in seconds; a second
is a place in the piece. One anchor holds both exactly, and every deadline is worked out from it,
so nothing adds up. Players come a little before the bar line: whatever happens at a bar line
happens `EARLY` before it, and what follows is played from as much before its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from backing.events import CHANNELS, EXPRESSION, LEAD, LEAD_PROGRAM, Message, bend_value, messages
from backing.live.index import StreamIndex
from phrases.files import TEMPOS

__all__ = ["ACTIONS", "EARLY", "TEMPO_STEP", "Due", "State", "Transport", "Where"]

EARLY = Fraction(1, 50)  # seconds; the band wanders by less
TEMPO_STEP = 2  # beats a minute

# What a key or a pedal may ask for.
ACTIONS: dict[str, str] = {
    "stop": "stop at the bar line, and go on from there",
    "faster": f"{TEMPO_STEP} beats a minute more, from the bar line",
    "slower": f"{TEMPO_STEP} beats a minute less, from the bar line",
    "next": "to the next pass or chorus, at the bar line",
    "previous": "to the one before, at the bar line",
    "mute": "the phrase off, and on again",
    "again": "this pass once more from its start, at the bar line",
    "hold": "this pass again and again, and on from it",
    "tempo": "to the next tempo, at the bar line",
}

Due = tuple[float, tuple[int, ...]]  # instant, bytes

CENTRE = bend_value(0.0)
MUTED = frozenset(CHANNELS[voice] for voice in LEAD)


@dataclass(frozen=True, slots=True)
class State:
    """All that says where one is; replaced as a whole, so that another thread may read it."""

    at: Fraction  # the anchor's instant
    second: Fraction  # the anchor's place
    pace: Fraction = Fraction(1)  # seconds of the piece in a second
    coming: Fraction | None = None  # the pace from the next bar line
    section: int = 0
    going: bool = True
    stopping: bool = False
    target: int | None = None
    muted: bool = False
    over: bool = False
    held: bool = False
    since: Fraction | None = None  # the place at which a count-in before it ends

    def place(self, at: Fraction) -> Fraction:
        """Return the second of the piece at an instant."""
        if not self.going:
            return self.second
        return self.second + max(Fraction(0), at - self.at) * self.pace


@dataclass(frozen=True, slots=True)
class Where:
    """What there is to show at one instant."""

    section: int  # and `name`: the number of the section from 0, and what it is called
    name: str
    bar: int  # and `bars`: the bar from 1 and how many there are in the section
    bars: int
    beat: int  # and `beats`: the beat from 1 and how many there are in a bar
    beats: int
    place: float  # beats from the start of the section
    # `tempo` to `coming`: felt beats a minute, as played, as in the stream, and as played from the
    # next bar line.
    tempo: float
    written: float
    coming: float
    # `chord` to `wait`: the chord, the next other one, and how many beats it is away (None: there
    # is none).
    chord: str
    soon: str
    wait: float | None
    turn: str  # whose turn it is, or empty
    # `going`, `stopping`, `muted`, `over`, `held`: whether it plays, will stop at the bar line,
    # keeps the phrase silent, has ended, goes round.
    going: bool
    stopping: bool
    muted: bool
    over: bool
    target: str  # the name of the section that comes at the bar line, or empty
    held: bool = False
    counting: bool = False  # whether sticks count in, after a stop
    due: float | None = None  # beats until the student's next turn (None: there is none soon)


class _PlayedSection:
    """A section that is being played; its last notes may ring into the next one."""

    def __init__(self, serial: int, start: Fraction, events: list[Message], since: float) -> None:
        self.serial = serial
        self.base = float(start)
        self.events = events
        self.cursor = 0
        while self.cursor < len(events) and self.base + events[self.cursor][0] < since:
            self.cursor += 1

    @property
    def second(self) -> float:
        """The second of the next message; infinite where there is none."""
        if self.cursor == len(self.events):
            return math.inf
        return self.base + self.events[self.cursor][0]


class Transport:
    """Plays a score: asked at ascending instants, it returns the events that are due.

    It begins at the instant `at`. Where it `counts`, a bar is counted in where it goes on after a
    stop; `round` goes round in the first section until it is stopped; where it `asks`, the stop
    key means again while the next pass is counted in.
    """

    def __init__(
        self,
        score: StreamIndex,
        at: Fraction | float = 0,
        *,
        counts: bool = False,
        round: bool = False,
        asks: bool = False,
    ) -> None:
        self.score = score
        self._counts, self._asks = counts, asks
        self.state = State(Fraction(at), score.sections[0].start, held=round)
        self._asked = Fraction(at)
        self._serial = 0
        self._runs: list[_PlayedSection] = []
        self._sounding: dict[tuple[int, int], int] = {}  # channel and pitch: serial
        self._taken: dict[int, int] = {}  # channel: the latest serial that played on it
        self._bends: dict[int, int] = {}
        self._programs: dict[int, int] = {}
        self._expressions: dict[int, int] = {}
        self._begin(self.state.second)

    # --- what is due --------------------------------------------------------

    def due(self, until: Fraction | float) -> list[Due]:
        """Return the messages due before an instant that were not returned before, in order."""
        until = max(self._asked, Fraction(until))
        self._asked = until
        out: list[Due] = []
        while self.state.going:
            limit = self.state.place(until)
            edge = self._edge()
            self._collect(float(limit if edge is None else min(edge, limit)), out)
            if edge is None or edge > limit:
                break
            self._cross(edge, out)
        if self.state.going and not self._runs and self._last():
            self.state = replace(self.state, going=False, over=True)
        return out

    def next_at(self) -> float | None:
        """Return the instant at which something is due next; None while nothing is."""
        if not self.state.going:
            return None
        edge = self._edge()
        section = self.score.sections[-1]
        end = section.start + section.seconds
        first = min((run.second for run in self._runs), default=float(end))
        return self._instant(first if edge is None else min(first, float(edge)))

    def silence(self, at: Fraction | float) -> list[Due]:
        """Return messages that end every note and reset bends, programs and expression."""
        out: list[Due] = []
        self._hush(float(at), out)
        return out

    def _instant(self, second: float) -> float:
        state = self.state
        return float(state.at) + (second - float(state.second)) / float(state.pace)

    def _exact_instant(self, second: Fraction) -> Fraction:
        state = self.state
        return state.at + (second - state.second) / state.pace

    def _last(self) -> bool:
        section = self.score.sections[-1]
        at_last = self.state.section == len(self.score.sections) - 1 and not self.state.held
        return at_last and self.state.place(self._asked) >= section.start + section.seconds

    def _edge(self) -> Fraction | None:
        """Return the next second at which something other than a message happens."""
        state = self.state
        section = self.score.sections[state.section]
        end = section.start + section.seconds
        last = state.section == len(self.score.sections) - 1 and not state.held
        if state.stopping or state.target is not None or state.coming is not None:
            here = state.second if state.since is None else max(state.second, state.since)
            for line in self.score.bars(state.section):
                if line - EARLY > here and not (last and line == end):
                    return line - EARLY
        return None if last else end

    def _collect(self, limit: float, out: list[Due]) -> None:
        while self._runs:
            run = min(self._runs, key=lambda one: one.second)
            if run.second >= limit:
                return
            self._emit(self._instant(run.second), run.serial, run.events[run.cursor][2], out)
            run.cursor += 1
            if run.second == math.inf:
                self._runs.remove(run)

    def _emit(self, at: float, serial: int, data: tuple[int, ...], out: list[Due]) -> None:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90:
            if self.state.muted and channel in MUTED:
                return
            place = (channel, data[1])
            if place in self._sounding:  # it rang over from the section before
                out.append((at, (0x80 | channel, data[1], 0)))
            self._sounding[place] = serial
            self._taken[channel] = serial
        elif kind == 0x80:
            if self._sounding.get((channel, data[1])) != serial:
                return
            del self._sounding[channel, data[1]]
        elif kind == 0xE0:
            if self._taken.get(channel, serial) > serial:
                return
            self._bends[channel] = data[2] << 7 | data[1]
        elif kind == 0xC0:
            self._programs[channel] = data[1]
        elif data[1] == EXPRESSION:
            self._expressions[channel] = data[2]
        out.append((at, data))

    # --- bar lines and sections ---------------------------------------------

    def _cross(self, edge: Fraction, out: list[Due]) -> None:
        at = self._exact_instant(edge)
        state = self.state
        section = self.score.sections[state.section]
        if state.coming is not None:
            state = self.state = replace(state, at=at, second=edge, pace=state.coming, coming=None)
            if not state.stopping and state.target is None:
                self._change(edge)
                return
        if edge == section.start + section.seconds:
            if state.held and state.target is None:
                for run in self._runs:  # what rings on belongs to the time before
                    run.base -= float(section.seconds)
                self.state = replace(state, at=at, second=section.start, since=None)
                self._begin(section.start)
                return
            number = state.section + 1
            target = None if state.target == number else state.target
            self.state = replace(state, section=number, target=target)
            self._begin(edge)
            return
        line = edge + EARLY
        following = state.section + (line == section.start + section.seconds and not state.held)
        target = following if state.target is None else state.target
        if not state.stopping and target == following != state.section and not state.held:
            self.state = replace(state, target=None)  # it comes of itself
            return
        self._hush(float(at), out)
        place = edge if state.target is None else self.score.sections[target].start - EARLY
        self.state = replace(
            state, at=at, second=place, section=target, going=not state.stopping,
            stopping=False, target=None, since=None,
            held=state.held and (state.target is None or target == state.section),
        )  # fmt: skip
        self._runs.clear()
        if self.state.going:
            self._begin(place)

    def _change(self, edge: Fraction) -> None:
        """Go on at another pace from a place; messages do so of themselves."""

    def _begin(self, since: Fraction) -> None:
        self._serial += 1
        number = self.state.section
        start = self.score.sections[number].start
        run = _PlayedSection(self._serial, start, self.score.messages(number), float(since))
        if run.second < math.inf:
            self._runs.append(run)

    def _hush(self, at: float, out: list[Due]) -> None:
        for channel, pitch in sorted(self._sounding):
            out.append((at, (0x80 | channel, pitch, 0)))
        for channel, value in self._bends.items():
            if value != CENTRE:
                out.append((at, (0xE0 | channel, CENTRE & 0x7F, CENTRE >> 7)))
        for channel, value in self._expressions.items():
            if value != 127:
                out.append((at, (0xB0 | channel, EXPRESSION, 127)))
        for channel, value in self._programs.items():
            if value != LEAD_PROGRAM:
                out.append((at, (0xC0 | channel, LEAD_PROGRAM)))
        for states in (self._sounding, self._bends, self._expressions, self._programs):
            states.clear()

    # --- what is asked for --------------------------------------------------

    def do(self, action: str, at: Fraction | float) -> list[Due]:
        """Do one of `ACTIONS` at an instant; return what is due at once."""
        out = self.due(at)
        at = max(self._asked, Fraction(at))
        if self.state.over:
            return out
        if action == "stop" and self._asks and self._between():
            action = "again"
        if action == "stop":
            self._stop_or_go(at, out)
        elif action == "again":
            self._jump(self._first(self.state.section), at)
        elif action == "hold":
            self._anchor(at)
            self.state = replace(self.state, held=not self.state.held)
        elif action == "tempo":
            sections = self.score.sections
            here = sections[self.state.section].tempo
            others = [n for n, one in enumerate(sections) if one.tempo != here]
            self._jump(next((n for n in others if n > self.state.section), None), at)
        elif action in ("faster", "slower"):
            self._move_tempo(TEMPO_STEP if action == "faster" else -TEMPO_STEP, at)
        elif action in ("next", "previous"):
            self._skip(1 if action == "next" else -1, at)
        elif action == "mute":
            self.state = replace(self.state, muted=not self.state.muted)
            if self.state.muted:
                for channel, pitch in sorted(self._sounding):
                    if channel in MUTED:
                        out.append((float(at), (0x80 | channel, pitch, 0)))
                        del self._sounding[channel, pitch]
        return out

    def _anchor(self, at: Fraction) -> None:
        self.state = replace(self.state, at=at, second=self.state.place(at))

    def _between(self) -> bool:
        """Tell whether another pass than the first is counted in."""
        number = self.state.section
        return number > 0 and self.score.sections[number].kind == "count-in"

    def _first(self, number: int) -> int:
        """Return where a pass begins again: with its own count-in; in one, the pass before."""
        sections = self.score.sections
        if number and sections[number].kind == "count-in":
            number -= 1
        return number - (number > 0 and sections[number - 1].kind == "count-in")

    def _stop_or_go(self, at: Fraction, out: list[Due]) -> None:
        state = self.state
        if not state.going:
            sections = self.score.sections
            place = state.second
            self.state = replace(state, at=at, going=True, since=None)
            if self._counts and sections[state.section].kind != "count-in":
                _, written = self.score.beat_at(state.section, place + EARLY)
                length = self.score.meter_beats * 60 / written
                self.state = replace(self.state, second=place + EARLY - length, since=place)
                self._count_in(place + EARLY - length, written)
            self._begin(place)
            return
        self._anchor(at)
        if state.since is not None and self.state.second < state.since:  # it counts in
            self._hush(float(at), out)
            self._runs.clear()
            self.state = replace(self.state, second=state.since, going=False, since=None)
            return
        self.state = replace(self.state, stopping=not self.state.stopping)

    def _count_in(self, start: Fraction, tempo: Fraction) -> None:
        """Have a bar of sticks from a second on."""
        self._serial += 1
        events = messages(self.score.sticks(tempo))
        self._runs.append(_PlayedSection(self._serial, start, events, float(start)))

    def _jump(self, number: int | None, at: Fraction) -> None:
        """Go to a section at the bar line; at once where it is stopped."""
        if number is None:
            return
        self._anchor(at)
        if self.state.going:
            self.state = replace(self.state, target=number)
        else:
            start = self.score.sections[number].start - EARLY
            self.state = replace(self.state, section=number, second=start, held=False)

    def _move_tempo(self, step: int, at: Fraction) -> None:
        self._anchor(at)
        state = self.state
        _, written = self.score.beat_at(state.section, state.second)
        tempo = written * (state.coming or state.pace)
        moved = Fraction(round(tempo) + step)
        if step > 0:
            moved = max(tempo, min(moved, Fraction(TEMPOS[1])))
        else:
            moved = min(tempo, max(moved, Fraction(TEMPOS[0])))
        pace = moved / written
        if not state.going:
            self.state = replace(state, pace=pace)
        else:
            self.state = replace(state, coming=None if pace == state.pace else pace)

    def _skip(self, step: int, at: Fraction) -> None:
        self._anchor(at)
        state = self.state
        wanted = (state.section if state.target is None else state.target) + step
        wanted = max(0, min(wanted, len(self.score.sections) - 1))
        if state.going:
            self.state = replace(state, target=None if wanted == state.section else wanted)
        elif wanted != state.section:
            start = self.score.sections[wanted].start - EARLY
            self.state = replace(state, section=wanted, second=start)

    # --- where one is -------------------------------------------------------

    def where(self, at: Fraction | float, state: State | None = None) -> Where:
        """Return the position at an instant, of a state, for the screen; any thread may ask.

        The state is the one that holds then; None is the one now.
        """
        state, score = state or self.state, self.score
        second = state.place(Fraction(at))
        number = state.section
        end = score.sections[number].start + score.sections[number].seconds
        if state.going and not state.held and second >= end:  # the state is a moment old
            number = max(number, score.section_at(second))
        counting = state.going and state.since is not None and second < state.since
        if not state.going or counting:
            second = (state.since if counting and state.since is not None else second) + EARLY
        second = max(second, score.sections[number].start)
        place, written = score.beat_at(number, second)
        each = score.stream.meter.beats
        bars = max(1, -(-score.sections[number].beats // each))
        bar = min(bars, int(place // each) + 1)
        beat = min(each, int(place - (bar - 1) * each) + 1)
        if counting:
            left = (second - state.place(Fraction(at))) * written / 60
            beat = max(1, each + 1 - math.ceil(left))
        chord, soon, when = score.chords(number, float(second))
        tempo = written * state.pace
        turn = score.turn(number, float(second))
        return Where(
            section=number,
            name=score.head(number),
            bar=int(bar),
            bars=int(bars),
            beat=beat,
            beats=each,
            place=float(place),
            tempo=float(tempo),
            written=float(written),
            coming=float(written * (state.coming or state.pace)),
            chord=chord,
            soon=soon,
            wait=None if when is None else (when - float(second)) * float(written) / 60,
            turn=turn.text if turn else "",
            going=state.going,
            stopping=state.stopping,
            muted=state.muted,
            over=state.over,
            target="" if state.target is None else score.head(state.target),
            held=state.held,
            counting=counting,
            due=score.due(number, float(second), float(written)),
        )
