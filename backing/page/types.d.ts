// What `page.py` writes down of a lesson. Seconds are of a loop, from its first beat.

export interface Loop {
  tempo: number; // felt beats a minute
  swing: number;
  band: number; // numbers of sounds
  phrase: number;
  chords: number[];
  turns: [start: number, end: number][];
  notes: [start: number, end: number][];
  tips: (number | null)[];
  wide: Way[];
  narrow: Way[];
  events: any[];
  written?: any[]; // the same to be judged by, set by the page
  version: Version; // set by the page
  ratio: number; // how much longer it is than the sounds; 1 where it is one that was rendered
}

export type Way = [seconds: number, x: number][];
export type Bar = [number: number, left: number, right: number];
export type Note = [string: string, fret: number | null, name: string, degree: string, how: string];

export interface Version {
  key: string;
  groove: string;
  feel: string;
  beats: number;
  bars: number;
  chords: string[];
  turns: string[]; // roles
  downbeats: number[]; // bars, from 0
  notes: Note[];
  places: string[];
  tips: string[];
  wide: { width: number; bars: Bar[] }[];
  narrow: { width: number; bars: Bar[] }[];
  template: string;
  loops: Loop[];
}

export interface Piece { name: string; versions: Version[] }
export interface Step { do: string; passes: number; name: string; text: string }
export interface Encoded { start: number; frames: number; rate: number; file: string }

export interface Lesson {
  name: string;
  pieces: Piece[];
  session: Step[];
  sounds: Encoded[];
}

// One line of music on the page.
export interface Row {
  holder: any; cursor: any; cover: [number, any][]; number: number;
  shape: { width: number; bars: Bar[] };
}

// Bars [from, to) of a loop, played round and round from a time of the audio clock on.
export interface Segment {
  loop: Loop; from: number; to: number; place: number; time: number;
  auto?: boolean; asked?: number;
  span: number; until: number; told: number; beat: number;
  nodes: { source: AudioBufferSourceNode; gate: GainNode; turn: GainNode }[];
  cues: [time: number, AudioBufferSourceNode][];
}

// What an audio worklet has, and TypeScript's own table lacks.
declare global {
  class AudioWorkletProcessor { port: MessagePort }
  function registerProcessor(name: string, made: new () => AudioWorkletProcessor): void;
  const currentFrame: number;
}
