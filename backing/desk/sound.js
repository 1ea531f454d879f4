// What is heard: streams of frames laid end to end on one clock, the phrase at once, the band as it comes.
const RATE = 48000;
const SOON = 0.06; // seconds from the first frames to the sound

class Sound {
  constructor(headers) {
    this.headers = headers;
    this.turn = 0;
  }

  volume(share) {
    this.share = share;
    if (this.gain) this.gain.gain.value = share ** 2 * 2;
  }

  async ready() {
    this.context ??= new AudioContext({ sampleRate: RATE });
    if (!this.gain) {
      this.gain = this.context.createGain();
      const limit = this.context.createDynamicsCompressor();
      limit.threshold.value = -3;
      limit.ratio.value = 20;
      limit.attack.value = 0.002;
      this.gain.connect(limit).connect(this.context.destination);
      this.out = limit;
    }
    this.volume(this.share);
    await this.context.resume();
    return this.context;
  }

  // Play layers of what the server has made ready, the first at once, the others as they come.
  async play(told, [first, ...more], progress, ended) {
    this.stop();
    const turn = ++this.turn;
    await this.ready();
    this.stopper = new AbortController();
    this.sources = new Set();
    this.begun = null;
    const whole = this.layer(told, first, turn, true);
    for (const name of more) this.begin.then(() => this.layer(told, name, turn)).catch(() => {});
    await this.begin;
    const step = () => {
      if (turn !== this.turn) return;
      const now = this.context.currentTime - this.begun;
      progress(now);
      if (now > told.seconds + 0.4) { this.stop(); ended(); } else requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
    await whole;
  }

  // Fetch a layer, and lay its frames from the common beginning on.
  async layer(told, name, turn, first = false) {
    let began;
    if (first) this.begin = new Promise((done, failed) => { began = { done, failed }; });
    try {
      const answer = await fetch(`/api/sound/${told.number}/${name}`, { headers: this.headers(), signal: this.stopper.signal });
      if (!answer.ok) throw new Error("no sound came");
      const reader = answer.body.getReader();
      let [rest, frames] = [new Uint8Array(0), 0];
      for (;;) {
        const { value, done } = await reader.read();
        if (done || turn !== this.turn) break;
        const bytes = new Uint8Array(rest.length + value.length);
        bytes.set(rest);
        bytes.set(value, rest.length);
        const count = bytes.length >> 2;
        rest = bytes.slice(count * 4);
        if (!count) continue;
        const found = new Int16Array(bytes.buffer, 0, count * 2);
        const buffer = this.context.createBuffer(2, count, RATE);
        for (const side of [0, 1]) {
          const channel = buffer.getChannelData(side);
          for (let at = 0; at < count; at++) channel[at] = found[2 * at + side] / 32768;
        }
        if (this.begun === null) this.begun = Math.ceil((this.context.currentTime + SOON) * RATE) / RATE;
        this.lay(buffer, this.begun + frames / RATE);
        began?.done();
        frames += count;
      }
    } catch (error) {
      if (began) began.failed(error);
      if (error.name !== "AbortError") throw error;
    }
  }

  lay(buffer, at) {
    const source = this.context.createBufferSource();
    source.buffer = buffer;
    source.connect(this.gain);
    const late = this.context.currentTime - at;
    if (late < 0) source.start(at);
    else if (late < buffer.duration) source.start(this.context.currentTime + 0.02, late + 0.02);
    this.sources.add(source);
    source.onended = () => this.sources.delete(source);
  }

  stop() {
    this.turn++;
    this.stopper?.abort();
    for (const source of this.sources ?? []) { try { source.stop(); } catch { /* it never began */ } }
  }
}

export { Sound };
