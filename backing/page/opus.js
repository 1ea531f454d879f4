// Decodes Ogg Opus where a browser cannot, with a decoder that the page brings (`vendor`). References:
// RFC 3533 (Ogg pages), RFC 7845 (Opus in Ogg).
import { load } from "./load.js";

const HEADER = 27; // bytes of a page's header before its table

/** Return the packets of a file in order, and the last page's position in frames. */
const packetsOf = (bytes) => {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const packets = [];
  let pieces = [];
  let frames = 0;
  for (let at = 0; at + HEADER <= bytes.length;) {
    if (view.getUint32(at) !== 0x4f676753) throw new Error("not an Ogg page"); // "OggS"
    frames = Number(view.getBigInt64(at + 6, true));
    const table = bytes.subarray(at + HEADER, at + HEADER + bytes[at + 26]);
    at += HEADER + table.length;
    for (const size of table) {
      pieces.push(...bytes.subarray(at, at + size));
      at += size;
      if (size === 255) continue; // it goes on
      packets.push(Uint8Array.from(pieces));
      pieces = [];
    }
  }
  return { packets, frames };
};

const library = async () => {
  const words = atob((document.getElementById("opus")?.textContent ?? "").trim());
  const source = new TextDecoder().decode(Uint8Array.from(words, (letter) => letter.charCodeAt(0)));
  await load(`data:text/javascript;charset=utf-8,${encodeURIComponent(source)}`);
  return /** @type {any} */ (globalThis)["opus-decoder"].OpusDecoder;
};

/** Return a file's sound, as long as its last page says.
 * @param {Uint8Array} bytes */
export const decodeOpus = async (bytes) => {
  const { packets: [head, , ...packets], frames } = packetsOf(bytes);
  const view = new DataView(head.buffer);
  const skip = view.getUint16(10, true); // "pre-skip"
  const decoder = new (await library())({ channels: view.getUint8(9), preSkip: 0 });
  await decoder.ready;
  const { channelData, sampleRate } = decoder.decodeFrames(packets);
  decoder.free();
  const buffer = new AudioBuffer({ length: frames - skip, numberOfChannels: channelData.length, sampleRate });
  for (const [n, wave] of channelData.entries()) buffer.copyToChannel(wave.subarray(skip, frames), n);
  return buffer;
};
