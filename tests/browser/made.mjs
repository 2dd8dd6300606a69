// Pictures of what would take hours to come, as a snapshot has them.

/** A job; `state` running, held or complete. */
export const job = (state = "running") => ({
  id: "j", title: "key cups through nickel on copper alloys", sheet: "nickel-on-copper-alloys", parts: 6, started_by: "mila", state, cause: state === "complete" ? "every step done" : null,
  step: state === "complete" ? 3 : 2, step_count: 3, say: "Leave it in the cleaner.",
  question: state === "running" ? { seq: 7, about: "take-out", text: "Lift the load out and let it drain.", answers: ["done", "no"], leads_to: [{ answer: "done", then: "rinse: warm water" }, { answer: "no", then: "the job is held" }] } : null,
  steps: [
    { number: 1, name: "degrease", title: "Degrease", kind: "dip", tank: "soak", state: "done", times: 1, reason: null, run: null },
    { number: 2, name: "electroclean", title: "Electroclean", kind: "powered", tank: "cleaner", state: state === "complete" ? "done" : "now", times: 1, reason: null, run: null },
    { number: 3, name: "nickel", title: "Nickel", kind: "powered", tank: "nickel", state: state === "complete" ? "done" : "ahead", times: 0, reason: null, run: state === "complete" ? "r-3" : null },
  ],
  countdown_seconds: state === "running" ? 42 : null, over_seconds: state === "held" ? 95 : null, over_dwell_seconds: state === "held" ? 40 : null, begin_within_seconds: null, late_seconds: null,
  hazards: state === "complete" ? [] : ["Hot alkali burns eyes and skin."], next: "rinse, then nickel",
  held: state === "held" ? { why: "The water breaks on the part.", advice: "Clean it again.", may_resume: false } : null,
  warnings: state === "held" ? [{ kind: "over-dwell", priority: "high", text: "Lift it out now: 40 s over the most.", seconds: 40 }] : [],
  may_redo: state === "held", may_skip: state !== "complete", skip_risks: "A film left on the metal lets the deposit peel.", run: null,
});

/** An alarm that only tells. */
export const alarm = (state, watch = "drift") => ({
  watch, state, priority: "medium", text: "the voltage is 5.4 % above its baseline", response: "tell", cause: "The voltage creeps up at constant current.", consequence: "The anodes go passive, or the bath cools.",
  remedy: "Look at the anodes, the bags and the temperature.", respond_within_minutes: 10, unseen: "Which of the two it is.", since: "2026-01-02T03:04:05Z", gone: state === "returned-unacknowledged" ? "2026-01-02T03:14:05Z" : null, first_out: 1, chattering: false, shelved_until: state === "shelved" ? "2026-01-02T03:34:05Z" : null,
});
