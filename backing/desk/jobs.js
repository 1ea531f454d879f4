// What the server runs: a row for each command, with how far it is, a way to cancel it, and what came of it.
import { ask, bytes, lasting, make, trying } from "./ask.js";

const jobs = new Map(); // what runs or ran, by what the server calls it
const waiting = new Map(); // what was told last of jobs that are not known here, or not yet

// Return a row; `begin` asks the server and returns its answer, `done` is told what came of it.
const row = (offer, begin, done) => {
  const said = make("p", { class: "result", role: "status" });
  const bar = make("progress", { max: 1, value: 0, hidden: "", "aria-label": `${offer.title}: how far it is` });
  const stop = make("button", { type: "button", class: "cancel", hidden: "", press: trying(() => ask("cancel", { job: job.number })) }, "Cancel");
  const start = make("button", { type: "button", class: "start", press: trying(async () => {
    job.number = (await begin()).job;
    begun(job, "Being made …");
  }) }, offer.title);
  const job = { said, bar, stop, start, done, number: 0 };
  return make("li", { "data-what": offer.what }, start,
    make("p", { class: "aside" }, `${offer.files} file${offer.files > 1 ? "s" : ""}, about ${bytes(offer.bytes)}, in about ${lasting(offer.seconds)}`),
    make("code", { tabindex: "0" }, offer.command),
    make("button", { type: "button", class: "copy", "aria-label": `Copy the command: ${offer.title}`, press: (event) => { navigator.clipboard.writeText(offer.command); event.target.textContent = "Copied"; } }, "Copy"),
    bar, stop, said);
};

const begun = (job, words) => {
  jobs.set(job.number, job);
  job.start.disabled = true;
  job.bar.hidden = job.stop.hidden = false;
  job.bar.removeAttribute("value");
  job.said.textContent = words;
  if (waiting.has(job.number)) progress(waiting.get(job.number));
};
const progress = (told) => {
  const job = jobs.get(told.job);
  if (!job) { waiting.set(told.job, told); return; }
  if (!told.done) { job.bar.value = told.share; job.said.textContent = `${Math.round(100 * told.share)} %${told.left ? `, ${told.left}` : ""}`; return; }
  const held = document.activeElement === job.stop;
  job.bar.hidden = job.stop.hidden = true;
  job.start.disabled = false;
  if (held) job.start.focus();
  if (told.error) job.said.textContent = told.error;
  else if (told.stopped) job.said.textContent = "Stopped. What was complete is kept.";
  else if (job.done) job.done(told);
  else made(job, told);
};
const made = ({ said }, { files, kept }) => {
  const size = files.reduce((sum, one) => sum + one.bytes, 0);
  const best = ["html", "pdf", "mp3", "wav"].map((kind) => files.find(({ path }) => path.endsWith(`.${kind}`))).find(Boolean);
  said.replaceChildren(`${kept ? "As it should be already" : "Made"}: ${files.length} file${files.length > 1 ? "s" : ""}, ${bytes(size)}, in ${files[0].path.replace(/[^/]*$/, "")} `,
    ...(best ? [make("button", { type: "button", press: trying(() => ask("show", { path: best.path })) }, `Open ${best.path.replace(/.*\//, "")}`)] : []));
};

export { begun, progress, row };
