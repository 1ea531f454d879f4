// What somebody plays: recorded over a bar of sticks and the band, or from a sound file; then it is caught or heard.
import { $, ask, Gone, headers, line, Told, trying } from "./ask.js";
import { begun } from "./jobs.js";
import { came, guessed, hearIn, hearNoMore, until } from "./recorder.js";

const LONGEST = 600; // seconds
const RATE = 48000; // of a sound file, as it is sent
const WORDS = {
  catch: ["Play it in", "Play single notes and double stops, with their bends and slides. They are written in place of this text; Undo brings it back."],
  hear: ["Hear my take", "Play the phrase as it stands, once. What went well, and what to work on, is shown beside the sheet."],
};

class Take {
  // `desk` has: `asked`, what is open and chosen; `hush`; `follow`, which lights up what is due; `catch` and `hear`, told what came of it.
  constructor(sound, desk) {
    Object.assign(this, { sound, desk, how: "catch", over: null, unsent: null });
    $("record").addEventListener("click", () => this.record());
    $("take-drop").addEventListener("click", () => this.stop(false));
    $("take-again").addEventListener("click", trying(() => this.send()));
    $("take-close").addEventListener("click", () => this.close());
    $("take-file").addEventListener("change", ({ target }) => { this.file(target.files[0]); target.value = ""; });
    $("take-cancel").addEventListener("click", trying(() => ask("cancel", { job: this.job.number })));
    this.job = { said: $("take-said"), bar: $("take-bar"), stop: $("take-cancel"), start: $("record"), number: 0 };
  }

  show(how, by) {
    this.close();
    this.by = by;
    this.how = how;
    [$("taking-name").textContent, $("taking-about").textContent] = WORDS[how];
    this.job.said.textContent = "";
    $("taking").hidden = false;
    $("record").focus();
  }

  close() {
    if (this.over) this.stop(false);
    $("taking").hidden = true;
    this.by?.focus();
    this.by = null;
  }

  recording(on) {
    $("record").textContent = on ? "Stop" : "Record";
    $("record").classList.toggle("on", on);
    $("take-drop").hidden = !on;
    if (!on) $("take-level").value = 0;
  }

  async record() {
    if (this.over) { await this.stop(true); return; }
    this.desk.hush();
    const over = { name: "", told: null };
    this.over = over;
    this.recording(true);
    this.job.said.textContent = "A bar of sticks, then you.";
    try {
      const asked = this.desk.asked();
      over.name = asked.name;
      over.told = await ask("play", { ...asked, take: this.how });
      await hearIn(() => this.sound.ready(), "worklet.js", LONGEST);
      if (this.over !== over) { hearNoMore(); return; }
      await this.sound.play(over.told, ["band"], (now) => {
        this.desk.follow(over.told, now);
        const peak = came(until() - 0.1, until()).reduce((most, one) => Math.max(most, Math.abs(one)), 0);
        $("take-level").value = Math.max(0, 1 + Math.log10(peak + 1e-9) / 3); // 60 dB of it
        if (peak > 0.999) this.job.said.textContent = "It clips: turn the input down.";
      }, () => this.stop(true));
    } catch (error) {
      if (this.over === over) { hearNoMore(); this.over = null; this.recording(false); }
      if (error.name !== "AbortError") this.job.said.textContent = error.message;
    }
  }

  // End the recording, whose first frame is that of what was played, as it was heard.
  async stop(kept) {
    const { over, sound } = this;
    if (!over) return;
    this.over = null;
    const from = sound.begun + guessed();
    const frames = kept && sound.begun ? came(from, until()) : [];
    hearNoMore();
    this.desk.hush();
    this.recording(false);
    this.job.said.textContent = kept ? "Nothing was recorded." : "";
    if (!frames.length) return;
    this.unsent = [{ name: over.name, number: over.told.number, rate: sound.context.sampleRate }, frames];
    await trying(() => this.send())();
  }

  async file(file) {
    try {
      const sound = await new OfflineAudioContext(1, 1, RATE).decodeAudioData(await file.arrayBuffer());
      const frames = new Float32Array(sound.length);
      for (let side = 0; side < sound.numberOfChannels; side++) {
        for (const [at, one] of sound.getChannelData(side).entries()) frames[at] += one / sound.numberOfChannels;
      }
      this.unsent = [{ ...this.desk.asked(), text: "", number: 0, rate: RATE }, frames];
    } catch {
      this.job.said.textContent = `${file.name}: this browser finds no sound in it.`;
      return;
    }
    if (this.how === "catch" || await this.desk.saved()) await trying(() => this.send())();
  }

  // A take stays here until the server has it.
  async send() {
    const [asked, frames] = this.unsent;
    let answer;
    try {
      answer = await fetch(`/api/take?${new URLSearchParams({ ...asked, how: this.how })}`,
        { method: "POST", headers: { ...headers(), "content-type": "application/octet-stream" }, body: frames });
    } catch {
      $("take-again").hidden = false;
      this.job.said.textContent = "The desk does not answer. The take is kept in this window: start the desk, then send it again.";
      line.lost();
      throw new Gone("the desk does not answer");
    }
    const told = await answer.json();
    if (!answer.ok) { this.job.said.textContent = told.error; throw new Told(told.error); }
    this.unsent = null;
    $("take-again").hidden = true;
    $("take-command").textContent = told.command;
    this.job.number = told.job;
    this.job.done = (done) => { this.job.said.textContent = ""; this.desk[this.how](done, asked.name); };
    begun(this.job, "Listening …");
  }
}

export { Take };
