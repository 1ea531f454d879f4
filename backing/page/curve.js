// How the pitch of one picked note moves, in cents above the picked one: `phrases.curve`.

const eased = (share) => (1 - Math.cos(Math.PI * share)) / 2;

/** Return the pitch of a part some seconds after its pick. */
const curveAt = ({ first, glides, sways }, seconds) => {
  let cents = first;
  for (const [start, takes, to] of glides) {
    if (seconds < start) break;
    cents = seconds >= start + takes ? to : cents + (to - cents) * eased((seconds - start) / takes);
  }
  for (const [start, end, hertz, wide, grow] of sways) {
    if (seconds < start || seconds >= end) continue;
    const since = seconds - start;
    cents += wide * (grow ? Math.min(1, since / grow) : 1) * eased(2 * hertz * since);
  }
  return cents;
};

/** Return the written pitch of a part some seconds after it begins, 100 times the MIDI pitch. */
export const centsAt = (part, seconds) => 100 * part.pitch + curveAt(part, Math.max(0, seconds) + part.since);

/** Return what is written, from the rows that Python made of it; `share` makes it slower. */
export const eventsOf = (rows, share = 1) => rows.map(([at, end, kind, parts, soft, raked, place]) => ({
  at: at * share, end: end * share, kind, soft, raked, place,
  parts: parts.map(([pitch, since, first, glides, sways, string]) => ({
    string, pitch, since: since * share, first,
    glides: glides.map(([start, takes, ...rest]) => [start * share, takes * share, ...rest]),
    sways: sways.map(([start, stop, hertz, wide, grow]) => [start * share, stop * share, hertz, wide, grow * share]),
  })),
}));
