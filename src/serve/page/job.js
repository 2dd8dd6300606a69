// A load guided through a whole sheet: what to do now, what may be answered, which step of how many.
import { S } from "./strings.js";
import { button, field, h, keyed, sentence, set, show } from "./dom.js";
import * as F from "./figures.js";
import { command, hands, mayOperate } from "./net.js";

/** Where the daemon keeps the record of a whole job, to print. */
export const jobRecord = (id) => `/api/v1/jobs/${encodeURIComponent(id)}/record.html`;
export const isOpen = (job) => Boolean(job) && ["running", "held"].includes(job.state);

/** Questions whose "done" brings current. */
const POWERS = ["feed", "hang-part", "turn-part"];

/** What a job says in place of its powered step; null while that step speaks for itself. */
export function jobSays(job) {
  if (!isOpen(job)) return null;
  if (job.held) return [sentence(job.held.why), job.held.advice ? sentence(job.held.advice) : job.held.may_resume ? S.jobAsks : ""];
  const q = job.question;
  if (!q) return [job.say, job.next && `${S.jobNext}: ${job.next}`];
  const leads = q.leads_to ?? [];
  // What a "Cannot" does stands on its button; where current comes on, that stands in the question.
  if (q.about === "inspect") return [q.text, leads.map((l) => S.jobLeads(S.jobAnswer[l.answer] ?? l.answer, l.then)).join(" ")];
  const done = leads.find((l) => l.answer === "done");
  return [q.text, done && !POWERS.includes(q.about) ? S.then(done.then) : ""];
}

/** Seconds until a hand is needed, with the words for it; null when the job counts nothing down. */
export function jobClock(job) {
  if (!isOpen(job)) return null;
  if (job.over_seconds > 0) return [job.over_seconds, S.jobOver, true];
  if (job.countdown_seconds !== null) return [job.countdown_seconds, S.jobOut, false];
  if (job.begin_within_seconds !== null) return [job.begin_within_seconds, job.question?.about === "inspect" ? S.jobLook : S.jobBegin, false];
  return null;
}

/** So long a button that was taken takes no second tap, in milliseconds: the next picture brings others. */
export const AFTER = 1500;

/** `place` is for what is said of a command. */
export function jobCard(name, frame, place) {
  const steps = h("ol", { class: "steps" });
  const heading = h("h3", {});
  const warnings = h("div", { class: "jobwarn", role: "alert" });
  const hazards = h("div", { class: "hazards", hidden: true });
  const root = h("section", { class: "job", "aria-label": S.job, hidden: true }, heading, warnings, h("details", {}, h("summary", {}, S.jobSteps), steps));
  const asks = h("div", {});

  async function send(pressed, deed, more) {
    pressed.disabled = true;
    try {
      const { said } = await command(name, `job/${deed}`, more);
      // Everything else is on the screen by itself; what a skipped step risks is not.
      if (deed === "skip") frame.tell(sentence(said), false, place);
      asks.replaceChildren();
      await new Promise((go) => setTimeout(go, AFTER));
    } catch (error) {
      frame.complain(error, place);
    }
    pressed.disabled = false;
  }
  const deed = (text, verb, more, kind) => button(text, (event) => send(event.currentTarget, verb, more), kind, hands());

  /** Skipping needs a reason; what it risks stands beside it. */
  function skip(job) {
    const why = h("input", { maxlength: 200 });
    const box = field(S.jobWhy, why, job.skip_risks ?? "");
    const go = button(S.jobAct.skipNow, (event) => {
      if (!why.value.trim()) return box.wrong(S.plan.empty);
      send(event.currentTarget, "skip", { reason: why.value });
    }, "", hands());
    asks.replaceChildren(box, h("div", { class: "row" }, go, button(S.tanks.cancel, () => asks.replaceChildren())));
    why.focus();
  }

  function acts(job, run) {
    const q = job.question;
    const answers = (q?.answers ?? []).map((a) => deed(said(q, a), "answer", { answer: a, seq: q.seq }, a === "no" ? "" : "main"));
    const held = job.state === "held";
    // "Cannot" holds the job too; the "no" of a look leads back, and does not.
    const cannot = q && q.about !== "inspect" && q.answers.includes("no");
    return [
      answers, held && job.held?.may_resume && deed(run.state === "held" ? S.act.resume : S.jobAct.resume, "resume", {}, "main"), job.may_redo && held && deed(S.jobAct.redo, "redo", {}),
      job.may_redo && held && job.step > 1 && deed(S.jobAct.back, "redo", { step: job.step - 1 }),
      job.may_skip && button(S.jobAct.skip, () => skip(job), "", hands()), !held && !cannot && deed(S.jobAct.hold, "hold", {}), deed(S.jobAct.stop, "stop", {}), asks,
    ];
  }

  const said = (q, answer) => (q.about === "inspect" || answer === "yes" ? S.jobAnswer[answer] : answer === "no" ? S.jobCannot : S.jobDone[q.about]) ?? S.jobAnswer[answer] ?? answer;

  function draw(job, gone, alarms) {
    show(root, Boolean(job) && job.state !== "idle");
    show(hazards, isOpen(job) && job.hazards.length > 0);
    if (!job) return;
    set(heading, isOpen(job) ? `${job.title}: ${S.stepOf(job.step, job.step_count)}` : S.jobEnded(job.title, S.state[job.state] ?? job.state, job.cause));
    keyed(steps, JSON.stringify(job.steps), () =>
      job.steps.map((s) => h("li", { "data-state": s.state, ...(s.state === "now" && { "aria-current": "step" }) }, `${s.title ?? s.name}${s.tank && s.tank !== s.name ? `, ${s.tank}` : ""}`, h("small", {}, S.jobState[s.state] ?? s.state, s.reason ? `: ${s.reason}` : ""))));
    // One that is an alarm too is told there.
    const told = gone ? [] : job.warnings.filter((w) => !alarms.some((a) => a.watch === w.kind));
    keyed(warnings, told.map((w) => w.text).join("\n"), () => told.map((w) => h("p", {}, w.text)));
    show(warnings, told.length > 0);
    keyed(hazards, job.hazards.join("\n"), () => [h("strong", {}, S.hazards), h("ul", {}, job.hazards.map((t) => h("li", {}, t)))]);
  }
  const actsKey = (job, run) => JSON.stringify([job.state, run.state === "held", job.step, job.question, job.held, job.may_redo, job.may_skip, mayOperate()]);
  return { root, hazards, draw, acts, actsKey };
}
