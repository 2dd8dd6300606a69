// A load guided through a whole sheet: what to do now, what may be answered, which step of how many.
import { S } from "./strings.js";
import { button, field, h, keyed, set, show } from "./dom.js";
import * as F from "./figures.js";
import { command, hands, mayOperate } from "./net.js";

/** Where the daemon keeps the record of a whole job, to print. */
export const jobRecord = (id) => `/api/v1/jobs/${encodeURIComponent(id)}/record.html`;
export const isOpen = (job) => Boolean(job) && ["running", "held"].includes(job.state);

/** What a job says in place of its powered step; null while that step speaks for itself. */
export function jobSays(job) {
  if (!isOpen(job)) return null;
  if (job.held) return [job.held.why, job.held.advice];
  return [job.question?.text || job.say, job.question ? (job.question.leads_to ?? []).map((l) => S.jobLeads(S.jobAnswer[l.answer] ?? l.answer, l.then)).join(" ") : job.next && `${S.jobNext}: ${job.next}`];
}

/** Seconds until a hand is needed, with the words for it; null when the job counts nothing down. */
export function jobClock(job) {
  if (!isOpen(job)) return null;
  if (job.over_seconds > 0) return [job.over_seconds, S.jobOver, true];
  if (job.countdown_seconds !== null) return [job.countdown_seconds, S.jobOut, false];
  if (job.begin_within_seconds !== null) return [job.begin_within_seconds, S.jobBegin, false];
  return null;
}

export function jobCard(name, frame) {
  const steps = h("ol", { class: "steps" });
  const heading = h("h3", {});
  const warnings = h("div", { class: "jobwarn", role: "alert" });
  const hazards = h("div", { class: "hazards" });
  const root = h("section", { class: "job", "aria-label": S.job, hidden: true }, heading, warnings, hazards, h("details", {}, h("summary", {}, S.jobSteps), steps));
  const asks = h("div", {});

  async function send(pressed, deed, more) {
    pressed.disabled = true;
    try {
      frame.tell((await command(name, `job/${deed}`, more)).said);
      asks.replaceChildren();
    } catch (error) {
      frame.complain(error);
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

  function acts(job) {
    const q = job.question;
    const answers = (q?.answers ?? []).map((a) => deed(S.jobAnswer[a] ?? a, "answer", { answer: a, seq: q.seq }, a === "no" ? "" : "main"));
    const held = job.state === "held";
    return [
      answers, held && job.held?.may_resume && deed(S.jobAct.resume, "resume", {}, "main"), job.may_redo && held && deed(S.jobAct.redo, "redo", {}),
      job.may_skip && button(S.jobAct.skip, () => skip(job), "", hands()), !held && deed(S.jobAct.hold, "hold", {}), deed(S.jobAct.stop, "stop", {}), asks,
    ];
  }

  function draw(job, gone) {
    show(root, Boolean(job) && job.state !== "idle");
    if (!job) return;
    set(heading, isOpen(job) ? `${job.title}: ${S.stepOf(job.step, job.step_count)}` : S.jobEnded(job.title, S.state[job.state] ?? job.state, job.cause));
    keyed(steps, JSON.stringify(job.steps), () =>
      job.steps.map((s) => h("li", { "data-state": s.state, ...(s.state === "now" && { "aria-current": "step" }) }, `${F.words(s.name)}${s.tank ? `, ${s.tank}` : ""}`, h("small", {}, S.jobState[s.state] ?? s.state, s.reason ? `: ${s.reason}` : ""))));
    const said = gone ? [] : job.warnings;
    keyed(warnings, said.map((w) => w.text).join("\n"), () => said.map((w) => h("p", {}, w.text)));
    show(warnings, said.length > 0);
    keyed(hazards, job.hazards.join("\n"), () => [h("strong", {}, S.hazards), h("ul", {}, job.hazards.map((t) => h("li", {}, t)))]);
    show(hazards, isOpen(job) && job.hazards.length > 0);
  }
  const actsKey = (job) => JSON.stringify([job.state, job.step, job.question, job.held, job.may_redo, job.may_skip, mayOperate()]);
  return { root, draw, acts, actsKey };
}
