// What comes in, in the audio thread: pieces, each with the frame at which it begins.

export const ear = () => registerProcessor("ear", class extends AudioWorkletProcessor {
  constructor() {
    super();
    this.wave = new Float32Array(2048);
    this.at = this.first = 0;
  }
  process([input]) {
    if (this.at === 0) this.first = currentFrame;
    if (input[0]) this.wave.set(input[0], this.at);
    this.at += 128;
    if (this.at < this.wave.length) return true;
    this.port.postMessage([this.first, this.wave, Date.now()]);
    this.wave = new Float32Array(2048);
    this.at = 0;
    return true;
  }
});
