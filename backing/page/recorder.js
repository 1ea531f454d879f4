// The microphone: what comes in stands on an audio context's clock, frame by frame, and leaves no machine.

const WHY = {
  NotAllowedError: "The microphone is not allowed. Allow it for this page in your browser, and press again.",
  NotFoundError: "No microphone is found.",
  NotReadableError: "Another program has the microphone.",
};

/** @type {[number, Float32Array, number][]} */
let heard = []; // first frames, pieces, and the machine's clock when each was whole, in order
/** @type {any} */ let context = null;
/** @type {any} */ let stream = null;
/** @type {any} */ let nodes = [];

export const open = () => stream !== null;

export const pieces = () => heard;

/** Return the name of the microphone that is open. */
export const microphone = () => stream?.getAudioTracks()[0]?.label ?? "";

/**
 * Listen; `ready` returns the context, `ear` is the address of its worklet, and what is `lasts` seconds old is forgotten.
 * @param {() => Promise<AudioContext>} ready
 */
export const hearIn = async (ready, ear, lasts) => {
  if (!navigator.mediaDevices?.getUserMedia) {
    throw new Error("This page hears only where it is opened from disk or comes by https.");
  }
  const { audioSession } = /** @type {any} */ (navigator);
  if (audioSession) audioSession.type = "play-and-record";
  try {
    stream = await navigator.mediaDevices.getUserMedia({
      audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 },
    });
    context = await ready();
    await context.audioWorklet.addModule(ear);
    const source = new MediaStreamAudioSourceNode(context, { mediaStream: stream });
    const node = new AudioWorkletNode(context, "ear", { numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit" });
    node.port.onmessage = ({ data }) => {
      heard.push(data);
      const old = data[0] - lasts * context.sampleRate;
      if (heard[0][0] < old) heard = heard.filter(([first]) => first >= old);
    };
    source.connect(node);
    nodes = [source, node];
  } catch (error) {
    hearNoMore();
    throw new Error(WHY[/** @type {any} */ (error).name] ?? `The microphone cannot be heard: ${/** @type {any} */ (error).message}`);
  }
};

export const hearNoMore = () => {
  for (const node of nodes) node.disconnect();
  for (const track of stream?.getTracks() ?? []) track.stop();
  [stream, nodes, heard] = [null, [], []];
  const { audioSession } = /** @type {any} */ (navigator);
  if (audioSession) audioSession.type = "playback";
};

/** Return what came in between two times of the context's clock; silence where nothing did. */
export const came = (from, to) => {
  const rate = context.sampleRate;
  const [start, stop] = [Math.round(from * rate), Math.round(to * rate)];
  const out = new Float32Array(Math.max(0, stop - start));
  for (const [first, wave] of heard) {
    if (first + wave.length <= start || first >= stop) continue;
    const skip = Math.max(0, start - first);
    out.set(wave.subarray(skip, Math.min(wave.length, stop - first)), Math.max(0, first - start));
  }
  return out;
};

/** Return the time on the context's clock until which all has come in. */
export const until = () => {
  const last = heard.at(-1);
  return last ? (last[0] + last[1].length) / context.sampleRate : 0;
};

/** Return the seconds out and back in that the browser knows of. */
export const guessed = () => {
  const { outputLatency = 0, baseLatency = 0 } = context;
  return (outputLatency || baseLatency) + baseLatency;
};
