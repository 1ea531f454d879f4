// The player's sound: decoded loops on the audio clock. Seconds of the clock are called times,
// seconds within a loop places. A segment plays bars of one loop round and round from a time on.
import { beat, leadIn, length, lesson, sounds } from "./lesson.js";
import { EARLY, JOIN, facts, ready, excerpt } from "./store.js";

/** @import { Segment } from "./types.d.ts" */

const CROSS = 0.004; // half of what it takes to go from one segment to the next
const CUE = 1.4; // how much higher the wood before a turn is than the sticks
const AHEAD = 2.6; // seconds that are prepared; timers of hidden pages come once a second
const KEPT = 2; // seconds that past segments are remembered, for slow loudspeakers
const KNEE = 0.7; // above it peaks are rounded off: layers were limited one by one, their sum was not
const CEILING = 0.89; // -1 dBFS
const STEP = 256; // of the curve that does so, to the unit
const GECKO = "mozInnerScreenX" in window;
const WAIT = 4000; // milliseconds for a loudspeaker to answer

export class Sound {
  /** @type {Segment[]} */ segments = [];
  /** @type {any} */ context = null;
  /** @type {AudioBufferSourceNode[]} */ extra = [];
  playing = false;
  session = 0;
  volume = 0.4;
  balance = 0;
  alone = false; // whether the band is silent
  clicks = false; // whether wood is struck on every beat
  /** @type {Map<string, AudioBuffer>} */ struck = new Map();
  timer = 0;
  ending = 0;

  /** What plays next at the end of a pass: a loop, or that it is over; null if nothing new.
   * @type {(segment: Segment, pass: number) => any} */
  onpass = () => null;
  onend = () => {}; // what `onpass` called over is over
  oninterrupt = () => {};

  // --- the graph --------------------------------------------------------------------------

  open(rate) {
    if (!this.context) {
      try {
        this.context = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
      } catch {
        this.context = new AudioContext();
      }
      this.out = this.context.createGain();
      this.context.onstatechange = () => { if (this.context.state !== "running") this.oninterrupt(); };
      this.band = this.context.createGain();
      this.guitar = this.context.createGain();
      this.wood = this.context.createGain();
      this.wood.connect(this.out);
      this.band.connect(this.out);
      this.guitar.connect(this.out);
      // Its curve is for what lies between -1 and 1, and two layers reach twice as far.
      const half = new GainNode(this.context, { gain: 0.5 });
      const curve = Float32Array.from({ length: 4 * STEP + 1 }, (_, n) => {
        const at = (n - 2 * STEP) / STEP;
        const over = Math.abs(at) - KNEE;
        const room = CEILING - KNEE;
        return over > 0 ? Math.sign(at) * (KNEE + room * Math.tanh(over / room)) : at;
      });
      this.ceiling = new WaveShaperNode(this.context, { curve });
      this.out.connect(half).connect(this.ceiling).connect(this.context.destination);
      this.levels();
    }
    let timer;
    const silent = new Promise((_, fail) => {
      timer = setTimeout(() => fail(new Error("This browser gives no sound. Is a loudspeaker or a headphone there?")), WAIT);
    });
    return Promise.race([this.context.resume(), silent]).finally(() => clearTimeout(timer));
  }

  levels() {
    if (!this.context) return;
    const now = this.context.currentTime;
    const set = (node, value) => node.gain.setTargetAtTime(value, now, 0.015);
    set(this.out, this.playing ? this.volume ** 2 : 0);
    set(this.band, this.alone ? 0 : Math.min(1, 1 - this.balance) ** 2);
    set(this.wood, this.clicks ? 1 : 0);
    set(this.guitar, Math.min(1, 1 + this.balance) ** 2);
  }

  // Play a loop's bars [from, to) from a place in them; bars before sound as sticks.
  async play(loop, [from, to], place, sticks, pickup, ahead = 0) {
    await this.open(lesson.sounds[loop.band].rate);
    const [, phrase] = await ready(loop);
    this.halt();
    this.session += 1;
    const lead = Math.max(sticks * beat(loop), pickup, ahead);
    const time = this.context.currentTime + 0.08 + lead;
    this.playing = true;
    this.out.gain.cancelScheduledValues(0);
    this.out.gain.setValueAtTime(this.volume ** 2, this.context.currentTime);
    this.levels();
    for (let n = 1; n <= sticks; n++) this.stick(time - n * beat(loop), n === sticks);
    if (pickup > 0) this.extra.push(this.before(loop, phrase, place, pickup, time).source);
    await this.add({ loop, from, to, place, time });
    this.timer = setInterval(() => this.tick(), 100);
    this.tick();
  }

  // Lay a sound over what plays.
  lay(buffer, time) {
    const source = new AudioBufferSourceNode(this.context, { buffer });
    source.connect(this.guitar);
    source.start(time);
    this.extra.push(source);
  }

  // A stroke on wood: of the count-in, or higher before the student's turn.
  stick(time, first, pitch = 1, out = this.out) {
    const name = `${first} ${pitch}`;
    const buffer = this.struck.get(name) ?? this.wooden(first, pitch);
    this.struck.set(name, buffer);
    const source = new AudioBufferSourceNode(this.context, { buffer });
    source.connect(out);
    source.start(time);
    this.extra.push(source);
    source.onended = () => { this.extra = this.extra.filter((one) => one !== source); };
    return source;
  }

  wooden(first, pitch) {
    const rate = this.context.sampleRate;
    const buffer = new AudioBuffer({ length: Math.round(0.05 * rate), sampleRate: rate });
    const wave = buffer.getChannelData(0);
    for (let n = 0; n < wave.length; n++) {
      const at = n / rate;
      const tone = Math.sin(2 * Math.PI * 2350 * pitch * at) + 0.6 * Math.sin(2 * Math.PI * 3910 * pitch * at);
      wave[n] = 0.28 * (first ? 1.3 : 1) * tone * Math.exp(-at * 140) * Math.min(1, n / 20);
    }
    return buffer;
  }

  // Play the guitar's pickup, which stands at the end of what comes before a place.
  before(loop, decoded, place, pickup, time) {
    const whole = length(loop);
    const from = (place - pickup + whole) % whole;
    const { start, rate } = facts(loop.phrase, loop.ratio);
    const source = new AudioBufferSourceNode(this.context, { buffer: decoded });
    const gate = this.context.createGain();
    const begin = Math.min(EARLY, from);
    source.connect(gate).connect(this.guitar);
    gate.gain.setValueAtTime(0, time - pickup - begin);
    gate.gain.linearRampToValueAtTime(1, time - pickup - begin + JOIN);
    gate.gain.setValueAtTime(1, time - CROSS);
    gate.gain.linearRampToValueAtTime(0, time + CROSS);
    source.start(time - pickup - begin, start / rate + from - begin, pickup + begin + CROSS);
    return { source, gate, turn: gate };
  }

  async add(segment) {
    const { loop, from, to, place, time, pickup = 0 } = segment;
    const session = this.session;
    const [band, phrase] = await ready(loop);
    const context = this.context;
    if (session !== this.session) return null;
    if (time < context.currentTime + CROSS) {
      const late = this.segments.at(-1);
      if (late) late.asked = 0;
      return null;
    }
    const one = { ...segment, span: to - from, until: Infinity, told: time, nodes: [], cues: [] };
    one.beat = beat(loop);
    for (const [number, decoded, layer] of [[loop.band, band, this.band], [loop.phrase, phrase, this.guitar]]) {
      const lead = layer === this.guitar ? leadIn(loop, from, to) : null;
      const part = excerpt(number, loop.ratio, decoded, from, to, lead);
      const source = new AudioBufferSourceNode(context, { ...part, loop: true });
      const gate = context.createGain();
      const turn = context.createGain();
      source.connect(gate).connect(turn).connect(layer);
      const cross = this.segments.length ? CROSS : 0;
      gate.gain.setValueAtTime(cross ? 0 : 1, Math.max(0, time - cross));
      if (cross) gate.gain.linearRampToValueAtTime(1, time + cross);
      const round = part.loopEnd - part.loopStart;
      source.start(time - cross, part.loopStart + ((place - from - cross + round) % round));
      one.nodes.push({ source, gate, turn });
    }
    const last = this.segments.at(-1);
    const leads = pickup > 0 && time - pickup - EARLY > context.currentTime;
    if (leads) one.nodes.push(this.before(loop, phrase, place, pickup, time));
    if (last) this.end(last, time, leads ? pickup + EARLY : 0);
    this.segments.push(one);
    this.turns(one, time);
    return one;
  }

  // Let a segment end, its guitar so many seconds before.
  end(segment, time, early) {
    segment.until = time;
    for (const [at, cue] of segment.cues) if (at > time - CROSS) cue.stop();
    segment.nodes.forEach(({ gate }, number) => {
      const at = number ? time - early : time;
      gate.gain.setValueAtTime(1, at - CROSS);
      gate.gain.linearRampToValueAtTime(0, at + CROSS);
    });
  }

  drop(segment) {
    for (const { source, turn } of segment.nodes) {
      source.stop();
      turn.disconnect();
    }
    for (const [, cue] of segment.cues) cue.stop();
    segment.nodes = [];
    segment.cues = [];
  }

  // Take back what was prepared but has not begun, and let the last segment go on.
  clear(time) {
    while (this.segments.length > 1 && this.segments[this.segments.length - 1].time > time) {
      this.drop(this.segments.pop());
    }
    const last = this.segments[this.segments.length - 1];
    last.told = Math.min(last.told, last.until);
    last.until = Infinity;
    for (const { gate } of last.nodes.slice(0, 2)) {
      gate.gain.cancelScheduledValues(Math.max(time, last.time + CROSS));
      gate.gain.setValueAtTime(1, Math.max(time, last.time + CROSS));
    }
    return last;
  }

  // Go to another loop or other bars at the next bar line; `next` says where from the place there,
  // and how long the pickup is that leads there.
  change(loop, [from, to], bar, next) {
    const now = this.context.currentTime + 0.08;
    const last = this.clear(now);
    if (last.time > now) return false;
    const here = this.place(last, now);
    let line = Math.ceil((here - last.from) / bar - 1e-6) * bar + last.from;
    const time = now + line - here;
    if (line > last.to - 1e-3) line = last.from;
    this.add({ loop, from, to, time, ...next(line) });
    return true;
  }

  halt() {
    clearInterval(this.timer);
    clearTimeout(this.ending);
    this.playing = false;
    this.session += 1;
    const ended = this.segments;
    this.segments = [];
    for (const source of this.extra) source.stop();
    this.extra = [];
    for (const segment of ended) this.drop(segment);
  }

  stop() {
    if (!this.playing) return;
    this.playing = false;
    this.session += 1;
    clearInterval(this.timer);
    clearTimeout(this.ending);
    this.levels();
    const [segments, extra] = [this.segments, this.extra];
    this.segments = [];
    this.extra = [];
    setTimeout(() => {
      for (const source of extra) source.stop();
      for (const segment of segments) this.drop(segment);
    }, 120);
  }

  // --- what goes on -----------------------------------------------------------------------

  tick() {
    const now = this.context.currentTime;
    const last = this.segments.at(-1);
    if (!last) return;
    if (last.told < now + AHEAD) this.turns(last, last.told);
    const first = last.time - (last.place - last.from);
    if (last.until === Infinity && now >= last.time) {
      const pass = Math.ceil((now + 0.1 - first) / last.span);
      const time = first + pass * last.span;
      if (time < now + AHEAD && last.asked !== pass) {
        last.asked = pass;
        const next = this.onpass(last, pass - (last.place > last.from + 1e-3 ? 1 : 0));
        if (next?.over) {
          this.end(last, time, next.pickup && next.pickup + EARLY);
          this.ending = setTimeout(() => this.onend(), 1000 * (time - now));
        } else if (next) this.add({ ...next, time }).catch(() => {});
      }
    }
    while (this.segments.length > 1 && this.segments[0].until < now - KEPT) {
      this.drop(this.segments.shift());
    }
  }

  // Strike wood on the beats of a segment from a time until another; whether that is heard is a level.
  beats({ time: start, place, from, loop, beat: seconds, span, cues }, time, until) {
    const zero = start - (place - from);
    const count = Math.round(span / seconds);
    for (let pass = Math.max(0, Math.floor((time - zero) / span)); zero + pass * span < until; pass++) {
      for (let beat = 0; beat < count; beat++) {
        const at = zero + pass * span + beat * seconds;
        if (at < Math.max(time, start) - 1e-6 || at >= until) continue;
        cues.push([at, this.stick(at, (Math.round(from / seconds) + beat) % loop.version.beats === 0, 1, this.wood)]);
      }
    }
  }

  // Let the guitar sound in its turns, from a time on.
  turns(segment, time) {
    const gain = segment.nodes[1].turn.gain;
    const until = Math.max(time, this.context.currentTime) + AHEAD + 0.5;
    const first = segment.time - (segment.place - segment.from);
    const step = 0.01;
    const at = (moment) => sounds(segment.loop, [segment.from, segment.to], this.place(segment, moment));
    const lead = leadIn(segment.loop, segment.from, segment.to);
    const edges = segment.loop.turns.flat().concat(segment.from, lead ? segment.to - lead.pickup : []);
    let level = at(time + EARLY + step) ? 1 : 0;
    gain.setValueAtTime(level, time);
    const times = [];
    const whole = length(segment.loop);
    for (let pass = Math.floor((time - first) / segment.span); first + pass * segment.span < until + segment.span; pass++) {
      for (const edge of edges) {
        const place = ((edge % whole) + whole) % whole;
        if (place < segment.from - 1e-6 || place > segment.to - 1e-6) continue;
        times.push(first + pass * segment.span + place - segment.from);
      }
    }
    for (const moment of [...new Set(times)].sort((a, b) => a - b)) {
      const begin = moment - EARLY;
      if (begin <= time || begin > until) continue;
      const next = at(moment + step) ? 1 : 0;
      if (next !== level) {
        const cue = begin + EARLY - segment.beat;
        if (!next && cue > this.context.currentTime) segment.cues.push([cue, this.stick(cue, false, CUE)]);
        gain.setValueAtTime(level, begin);
        gain.linearRampToValueAtTime(next, begin + step);
        level = next;
      }
    }
    this.beats(segment, time, until);
    segment.told = until;
  }

  // The guitar's turns are others now.
  turned() {
    if (!this.playing) return;
    const now = this.context.currentTime + 0.01;
    for (const segment of this.segments) {
      if (!segment.nodes.length) continue;
      const time = Math.max(now, segment.time);
      segment.nodes[1].turn.gain.cancelScheduledValues(now);
      for (const [, cue] of segment.cues.splice(0)) cue.stop();
      this.turns(segment, time);
    }
  }

  place(segment, time) {
    const since = time - segment.time + segment.place - segment.from;
    return segment.from + (((since % segment.span) + segment.span) % segment.span);
  }

  // The time of the sound that leaves the loudspeaker now.
  heard() {
    const now = this.context.currentTime;
    const stamp = this.context.getOutputTimestamp?.();
    // Firefox takes the latency from both of a stamp's times, so nothing is left of it.
    if (stamp && stamp.contextTime > 0 && !GECKO) {
      const time = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
      if (time > now - 1 && time < now + 0.1) return time;
    }
    return now - (this.context.outputLatency || 0);
  }

  // What sounds at a time: the segment, the place in its loop (below its start while it is counted
  // in) and the pass.
  at(time) {
    const segment = this.segments.findLast((one) => one.time <= time) ?? this.segments[0];
    if (!segment) return null;
    if (time < segment.time) {
      return { segment, place: segment.place - (segment.time - time), pass: 0, before: true };
    }
    const since = time - segment.time + segment.place - segment.from;
    return { segment, place: this.place(segment, time), pass: Math.floor(since / segment.span), before: false };
  }
}
