// A sound made longer or shorter without a change of pitch, by overlap and add of waveforms that are
// alike (WSOLA: Verhelst & Roelands 1993, ICASSP). Beginnings of notes fall where they belong and
// are copied as they are.

/** Return channels of `rate` frames a second, `ratio` times as long. The pairs `fixed` say
 * which frame of the input is to be which of the output. It is handed to an audio worklet as text, so it uses nothing from outside itself. */
export const stretched = (channels, rate, ratio, fixed) => {
  const hop = Math.round(0.025 * rate); // of what comes out; a frame of it is two
  const reach = Math.round(0.0125 * rate); // how far from its place a frame is looked for
  const SKIP = 4; // of frames that are compared
  const length = channels[0].length;
  const mono = new Float32Array(length);
  for (const channel of channels) for (let n = 0; n < length; n++) mono[n] += channel[n];

  // Where notes begin: what is quick grows much, in steps of 3 ms.
  const step = Math.round(0.003 * rate);
  const heights = new Float32Array(Math.floor(length / step));
  for (let at = 0; at < heights.length; at++) {
    for (let n = Math.max(1, at * step); n < (at + 1) * step; n++) heights[at] += (mono[n] - mono[n - 1]) ** 2;
  }
  const floor = heights.reduce((sum, one) => sum + one, 0) / heights.length / 20;
  const anchors = [...fixed];
  for (let at = 4, last = -99; at < heights.length; at++) {
    const before = Math.max(floor, heights[at - 1], heights[at - 2], heights[at - 3], heights[at - 4]);
    if (heights[at] < 4 * before || at - last < 20) continue;
    last = at;
    const here = at * step;
    if (fixed.every(([one]) => Math.abs(one - here) > 2 * hop)) anchors.push([here, Math.round(here * ratio)]);
  }
  anchors.sort(([a], [b]) => a - b);
  anchors.push([Infinity, Infinity]);

  const size = Math.round(length * ratio);
  const out = channels.map(() => new Float32Array(size));
  const window = Float32Array.from({ length: 2 * hop }, (_, n) => 0.5 - 0.5 * Math.cos((Math.PI * (n + 0.5)) / hop));
  const most = length - 2 * hop - 1;
  let from = 0; // where the frame before was taken
  let next = 0; // the anchor that comes
  let kept = false; // whether an anchor was in the frame before
  for (let at = -hop; at < size; at += hop) {
    const place = Math.round(at / ratio);
    const going = from + hop; // as if there were no cut
    while (anchors[next][1] < at + hop) next++;
    const [anchor, due] = anchors[next];
    let take = going;
    const top = Math.min(most, place + reach, anchor - 2 * hop); // no echo of it before it
    if (due < at + 2 * hop) take = anchor - due + at;
    else if (going > top || (!kept && going < place - reach)) {
      let best = -Infinity;
      for (let to = Math.max(0, Math.min(place, top) - reach); to <= top; to++) {
        let product = 0;
        let power = 1e-9;
        for (let n = 0; n < hop; n += SKIP) {
          product += mono[to + n] * mono[going + n];
          power += mono[to + n] ** 2;
        }
        const alike = product / Math.sqrt(power);
        if (alike > best) [best, take] = [alike, to];
      }
    }
    kept = due < at + 2 * hop;
    from = at < 0 ? place : take;
    for (const [number, channel] of channels.entries()) {
      for (let n = Math.max(0, -at, -from); n < 2 * hop && at + n < size && from + n < length; n++) {
        out[number][at + n] += window[n] * channel[from + n];
      }
    }
  }
  return out;
};

const WORKLET = `
const stretched = ${stretched};
registerProcessor("stretched", class extends AudioWorkletProcessor {
  constructor({ processorOptions: [channels, ratio, fixed] }) {
    super();
    this.wave = stretched(channels, sampleRate, ratio, fixed);
    this.at = 0;
  }
  process(_, [output]) {
    for (const [number, channel] of output.entries()) {
      channel.set(this.wave[number].subarray(this.at, this.at + channel.length));
    }
    this.at += output[0].length;
    return this.at < this.wave[0].length;
  }
});`;

/** Return a buffer, `ratio` times as long, without holding up the page. */
export const stretchedBuffer = async (buffer, ratio, fixed) => {
  const { numberOfChannels: count, sampleRate, length } = buffer;
  const channels = Array.from({ length: count }, (_, n) => buffer.getChannelData(n));
  const context = new OfflineAudioContext(count, Math.round(length * ratio), sampleRate);
  try {
    // A page from disk may load no module but from an address that holds it.
    await context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(WORKLET)}`);
  } catch {
    const wave = stretched(channels, sampleRate, ratio, fixed); // not a secure place: it waits a moment
    const made = new AudioBuffer({ length: wave[0].length, numberOfChannels: count, sampleRate });
    wave.forEach((channel, n) => { made.copyToChannel(channel, n); });
    return made;
  }
  const node = new AudioWorkletNode(context, "stretched", {
    numberOfInputs: 0, outputChannelCount: [count], processorOptions: [channels, ratio, fixed],
  });
  node.connect(context.destination);
  return context.startRendering();
};
