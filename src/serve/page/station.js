// One station's card: is it well, what do I do now, how long, then everything else.
import { S } from "./strings.js";
import { attr, button, drawing, h, icon, keyed, pressable, room, sentence, set, show } from "./dom.js";
import * as F from "./figures.js";
import { alarmCard, standing } from "./alarms.js";
import { AFTER, isOpen, jobCard, jobClock, jobSays } from "./job.js";
import { command, get, getText, hands, mayOperate, world } from "./net.js";

/** Which cut-off load somebody at this screen has seen out of the tank. */
const OUT = "tankside-out";
/** The trend is drawn by the daemon; it is asked for so often, in milliseconds. */
const TREND = 2000;
const isTurn = (q) => q && typeof q === "object" && q["turn-part"];

/** One word for "is it well?". */
export function verdict(look, gone) {
  const run = look.run;
  if (gone || !look.output_known) return "unknown";
  const alarms = standing(look);
  if (alarms.some((a) => a.state === "unacknowledged" && (a.priority === "high" || a.response === "cut"))) return "act";
  // Down, and known to be off: the supply answered and was not let in; there is something to do about it.
  if (!look.link.up && look.output_on === false) return "act";
  if (look.stale) return "unknown";
  if (look.job?.state === "held") return "held";
  if (run.state === "held") return "held";
  if (run.question || (isOpen(look.job) && (look.job.question || look.job.over_seconds > 0))) return "hand";
  if (alarms.length) return "look";
  if (isOpen(look.job)) return "well";
  // A job that came to its end is done, whatever became of a step that was done again or left out.
  const job = run.state === "running" ? null : look.job;
  if (job?.state === "complete") return "done";
  if (job) return "ended";
  return { running: "well", complete: "done", stopped: "ended", aborted: "ended" }[run.state] ?? "rest";
}

/** What to do now: the sentence, and what is said smaller after it. */
export function say(look, gone) {
  const run = look.run;
  if (gone) return [S.say.lost];
  if (!look.output_known) return [S.say.dark, look.link.trouble];
  // In a hold the alarm that led to it may have gone with the current: what to do about it stays.
  const alarm = speaking(look);
  // Held by a person: who held it is said, whatever stands beside.
  if (alarm) return [alarm.remedy, [run.state === "held" && !run.held_for && sentence(run.cause), alarm.state.startsWith("returned") ? S.seenThen(sentence(alarm.text)) : sentence(alarm.text), run.state === "held" && `${S.say.held} ${S.say.heldThen}`].filter(Boolean).join(" ")];
  if (run.state === "held" && run.held_remedy) return [run.held_remedy, `${sentence(run.cause)} ${S.say.held} ${S.say.heldThen}`];
  if (!look.link.up) return [S.say.linkDown, look.link.trouble];
  if (look.stale) return [S.say.stale, look.link.trouble];
  if (run.state === "held") return [S.say.held, [sentence(run.cause), S.say.heldThen].filter(Boolean).join(" ")];
  const turn = isTurn(run.question);
  if (turn) return [(turn.count ? S.say.count : "") + S.say.turn(turn.next, turn.faces), run.output_commanded ? S.say.turnOn : S.say.turnOff];
  if (run.question === "hang-part") return [S.say.hang, S.say.hangOn];
  const job = jobSays(look.job);
  // While current flows and nothing is asked, the powered step speaks.
  if (job && (look.job.question || look.job.held || run.state !== "running")) return job;
  if (run.state === "running") return [S.sayPhase[run.phase], unsure(run)];
  const ended = run.state === "running" ? null : look.job;
  if (ended) return ended.state === "complete" ? [S.say.jobComplete] : [S.sayEnd.stopped, [ended.steps.some((s) => s.run && s.run === run.run) && have(run), ended.cause && S.endedBy(sentence(ended.cause))].filter(Boolean).join(" ")];
  return [S.sayEnd[run.state] ?? S.say.idle, ["stopped", "aborted"].includes(run.state) ? [have(run), run.cause && S.endedBy(sentence(run.cause))].filter(Boolean).join(" ") : null];
}

/** The alarm that is told in large: the first that stands and is not known, else the one that a hold is for. */
function speaking(look) {
  const { state, held_for } = look.run;
  const unknown = standing(look).find((a) => a.state === "unacknowledged");
  return unknown ?? (state === "held" ? look.alarms.find((a) => a.watch === held_for && ["acknowledged", "returned-unacknowledged"].includes(a.state)) ?? null : null);
}

/** What is on the parts after a run that ended early. */
function have(run) {
  if (run.thickness_meters === null || !run.charge_coulombs) return null;
  const target = run.charge_target_coulombs;
  return S.have(F.length(run.thickness_meters), target ? Math.floor((100 * run.charge_coulombs) / target) : null);
}

/** What "well" does not cover just now: the area that does not look right, and that a part may fall off unseen. */
function unsure(run) {
  const blind = run.cannot_judge.find((c) => c.watch === "part-off");
  return [run.area_question && S.say.area(run.area_question), blind && S.say.blind(blind.why)].filter(Boolean).join(" ");
}

/** Seconds until a hand is needed, and until all is done. */
function until(run) {
  const all = run.left_seconds;
  if (all === null || all === undefined) return null;
  const [face, faces] = run.face ?? [1, 1];
  return { hand: run.hand_seconds ?? all, all, turn: face < faces };
}

const parted = (text) => {
  const end = /[.;] /.exec(text ?? "");
  return end && text.length > 90 ? [text.slice(0, end.index + 1), text.slice(end.index + 2)] : [text, ""];
};

export function card(name, frame) {
  const n = {
    icon: h("span", { class: "sign" }), word: h("strong", { class: "word" }), what: h("span", { class: "what" }), old: h("span", { class: "old" }),
    say: h("p", { class: "say", "aria-live": "polite" }), also: h("p", { class: "also" }),
    figure: h("span", { class: "figure" }), unit: h("span", { class: "unit" }), label: h("span", { class: "label" }), later: h("p", { class: "later" }), dark: h("p", { class: "later nocurrent", hidden: true }),
    acts: h("div", { class: "acts" }), said: h("div", { class: "said", role: "status" }), earlier: h("section", { class: "earlier", "aria-label": S.earlier }), alarms: h("section", { class: "alarms", "aria-label": S.alarms }),
    chargeText: h("span", { class: "of" }), chargeFill: h("span", { class: "fill" }), chargeMarks: h("span", { class: "marks" }),
    densityText: h("span", { class: "of" }), densityWords: h("p", { class: "hint" }), win: h("span", { class: "window" }), burn: h("span", { class: "burn" }), pin: h("span", { class: "pin" }), scaleEnd: h("span", { class: "end" }), winLabel: h("span", { class: "at" }, S.window), burnLabel: h("span", { class: "at" }, S.burn),
    picture: h("div", { class: "picture" }), log: h("ol", {}),
  };
  const clock = h("p", { class: "clock" }, n.figure, " ", n.unit, " ", n.label);
  const charge = h("section", { class: "charge", "aria-label": S.charge }, h("h3", {}, S.charge, " ", n.chargeText), h("div", { class: "track" }, n.chargeFill, n.chargeMarks));
  const scale = h("div", { class: "scale", "aria-hidden": "true" }, n.win, n.burn, n.pin, n.winLabel, n.burnLabel, n.scaleEnd);
  const density = h("section", { class: "density", "aria-label": S.density }, h("h3", {}, S.density, " ", n.densityText), scale, n.densityWords);
  const figures = h("dl", { class: "figures" });
  const cells = {};
  for (const key of ["volts", "amps", "thickness", "temperature"]) {
    cells[key] = { value: h("dd", { class: "value" }), note: h("dd", { class: "note" }) };
    figures.append(h("div", {}, h("dt", {}, S.gauge[key]), cells[key].value, cells[key].note));
  }
  const trend = h("section", { class: "trend", "aria-label": S.trend, hidden: true }, h("h3", {}, S.trend), n.picture);
  const more = h("details", {}, h("summary", {}, S.log), n.log);
  const guided = jobCard(name, frame, n.said);
  const root = h(
    "article", { class: "station", "data-station": name, "aria-label": name },
    h("header", { class: "verdict" }, n.icon, h("div", { class: "words" }, h("h2", {}, n.word, n.what)), n.old),
    h("div", { class: "body" }, h("div", { class: "now" }, n.say, n.also, clock, n.later, n.dark, guided.hazards, n.acts, n.said), h("div", { class: "gauges" }, n.alarms, guided.root, charge, density, figures, n.earlier), h("div", { class: "past" }, trend, more)),
  );

  let cut = null;
  let cutAsked = false;
  let order = null;
  let orderOf = null;
  let drawn = 0;

  async function press(event, verb, more) {
    const pressed = event.currentTarget;
    pressed.disabled = true;
    try {
      // What comes of it is on the screen by itself.
      await command(name, verb, more);
      n.said.replaceChildren();
      await new Promise((go) => setTimeout(go, AFTER));
    } catch (error) {
      frame.complain(error, n.said);
    }
    pressed.disabled = false;
  }
  const act = (text, verb, more, kind) => button(text, (event) => press(event, verb, more), kind, hands());

  function acts(look) {
    const run = look.run;
    // Late, it answers no other question.
    const asked = { run: run.run, question: run.question };
    if (run.state === "held") return [act(S.act.resume, "resume", {}, "main"), act(S.act.stop, "stop", {})];
    if (run.state === "running" && run.question)
      return [act(isTurn(run.question) ? S.answer.turn : S.answer.hang, "answer", { answer: "done", ...asked }, "main"), act(S.answer.no, "answer", { answer: "no", ...asked })];
    if (run.state === "running") return [act(S.act.hold, "hold", {}), act(S.act.stop, "stop", {})];
    // Where nobody knows whether the output is on, nobody is sent to plan.
    if (!look.output_known) return [];
    const plan = h("a", { class: "button main", href: "#/plan" }, S.act.plan);
    const leads = (href, text) => h("a", { class: "button", href }, text);
    if (cut) return [plan, leads(cut.href, S.act.cut), button(S.act.out, out)];
    return [plan, look.job ? leads(`#/runs/job/${look.job.id}`, S.act.jobRecord) : run.run && leads(`#/runs/${run.run}`, S.act.record)];
  }

  /** Somebody at this screen has seen to the load that was cut off. */
  function out() {
    localStorage.setItem(OUT, cut.id);
    cut = null;
  }

  function scaleOf(run, house) {
    const tank = house?.tanks.find((t) => t.tank === run.tank);
    const [low, , high] = tank?.density_amperes_per_square_meter ?? [0, 0, 0];
    const burn = order?.burn ? perArea(order.burn.density) / order.burn["edge-factor"] : null;
    return { low, high, burn, end: Math.max(high * 1.25, (burn ?? 0) * 1.15, run.density_amperes_per_square_meter * 1.1, 1) };
  }

  async function learn(run) {
    if (!run.run || orderOf === run.run) return;
    orderOf = run.run;
    order = null;
    try {
      order = JSON.parse((await get(`/api/v1/runs/${run.run}`)).order_json);
    } catch {
      // The intent is on disk a moment after the first picture: it is asked for again.
      setTimeout(() => (orderOf = null), 1500);
    }
  }

  /** Where the daemon died in the middle of the last load it comes back idle, and the parts may still hang: that is not "at rest". */
  async function wasCut(look, gone) {
    const idle = look.run.state === "idle" && !look.job;
    if (!idle || gone) {
      cutAsked = false;
      if (!idle) cut = null;
      return;
    }
    if (cutAsked) return;
    cutAsked = true;
    try {
      const [run, job] = (await Promise.all(["runs", "jobs"].map((kind) => get(`/api/v1/${kind}?limit=50&find=${encodeURIComponent(name)}`)))).map((all) => all.find((one) => one.station === name));
      const last = job && (!run || run.job === job.id || job.started > run.started) ? job : run;
      const mine = last === run || run?.job === job?.id ? run : null;
      cut = last?.cause === "interrupted" && localStorage.getItem(OUT) !== last.id ? { id: last.id, title: last.title, at: F.stamp(last.ended), got: mine?.cause === "interrupted" ? have({ ...mine, charge_target_coulombs: mine.target_coulombs }) : null, href: last === job ? `#/runs/job/${job.id}` : `#/runs/${run.id}` } : null;
    } catch {
      setTimeout(() => (cutAsked = false), 1500);
    }
  }

  async function picture(look) {
    if (performance.now() - drawn < TREND || document.hidden) return;
    drawn = performance.now();
    try {
      const svg = await getText(`/api/v1/stations/${encodeURIComponent(name)}/trend.svg?width=${room(trend.parentElement)}`);
      const m = look.measured;
      show(trend, svg.includes("<path"));
      n.picture.replaceChildren(drawing(svg, S.trendAlt(name, F.amps(m?.amperes), F.volts(m?.volts))) ?? "");
    } catch {
      // The card says by itself when the daemon is lost.
    }
  }

  function put(key, value, note) {
    set(cells[key].value, value);
    set(cells[key].note, note ?? "");
  }

  function draw(look, since, gone) {
    const run = look.run;
    const old = gone || look.stale;
    wasCut(look, gone);
    const resting = verdict(look, gone);
    const word = cut && resting === "rest" ? "ended" : resting;
    const told = say(look, gone);
    const active = ["running", "held"].includes(run.state);
    attr(root, "data-verdict", word);
    root.classList.toggle("stale", old);
    keyed(n.icon, word, () => icon(word));
    set(n.word, S.verdict[word]);
    const where = active && run.state === "running" ? [run.phase === "steady" && run.thickness_meters === null ? S.phase.current : S.phase[run.phase], run.face && run.face[1] > 1 ? S.face(...run.face) : null] : [S.state[run.state]];
    const job = look.job;
    const ended = !active && job && !isOpen(job);
    const mine = job?.steps.some((s) => s.run === run.run);
    // Between its powered steps a job speaks for itself, and not the run of before.
    const guides = isOpen(job) && !(active && mine);
    set(n.what, (guides ? [name, job.title, S.stepOf(job.step, job.step_count), job.steps[job.step - 1]?.title ?? job.steps[job.step - 1]?.name] : ended ? [name, job.title, S.state[job.state] ?? job.state] : [name, run.title && run.state !== "idle" ? F.kept(run.title) : null, ...where]).filter(Boolean).join(" · "));
    set(n.old, gone ? S.heard(F.time(since)) : look.stale ? S.age(F.time(look.age_seconds + since)) : "");

    const [now, also] = cut && told[0] === S.say.idle ? [S.say.cut, [S.cut(cut.title, cut.at), cut.got].filter(Boolean).join(" ")] : told;
    root.classList.toggle("long", (now ?? "").length > 60);
    const [head, tail] = parted(now);
    set(n.say, head);
    set(n.also, [tail, also].filter(Boolean).join(" "));
    show(n.also, Boolean(n.also.textContent));

    const left = active && !gone ? until(run) : null;
    const counted = gone ? null : jobClock(look.job);
    const runs = Boolean(left) && run.state === "running" && !run.question;
    show(clock, runs || Boolean(counted));
    guided.draw(job, gone, look.alarms);
    show(n.later, active);
    if (!runs && counted) {
      const [figure, unit] = F.bigTime(counted[0]);
      set(n.figure, counted[2] ? `+${figure}` : figure);
      set(n.unit, unit);
      set(n.label, counted[1]);
    }
    if (runs) {
      const [figure, unit] = F.bigTime(left.hand);
      set(n.figure, figure);
      set(n.unit, unit);
      set(n.label, left.turn ? S.time.untilTurn : S.time.untilDone);
      const at = F.clock(new Date(Date.now() + left.all * 1000));
      set(n.later, left.turn ? S.time.all(F.time(left.all), at) : S.time.only(at));
    } else set(n.later, [S.time.worked(F.time(run.worked_seconds)), left ? S.time.toGo(F.time(left.all)) : null].filter(Boolean).join(", "));

    // What hangs without current passivates; counted on between two pictures, and never from an old one.
    const dark = old ? null : look.no_current_seconds;
    show(n.dark, dark !== null);
    if (dark !== null) set(n.dark, S.noCurrent(F.time(dark + since)));

    show(n.acts, !gone);
    if (isOpen(look.job)) pressable(n.acts, guided.actsKey(look.job, run), () => guided.acts(look.job, run));
    else pressable(n.acts, JSON.stringify([run.state, run.run, run.question, look.job?.id, cut?.href, look.output_known, mayOperate()]), () => acts(look));
    const loud = speaking(look);
    const before = look.alarms.filter((a) => a.earlier);
    const mineNow = look.alarms.filter((a) => !before.includes(a));
    keyed(n.alarms, JSON.stringify([mineNow, loud?.watch, mayOperate()]), () => mineNow.map((a) => alarmCard(a, act, a === loud)));
    show(n.alarms, mineNow.length > 0);
    keyed(n.earlier, JSON.stringify([before, mayOperate()]), () => h("details", {}, h("summary", {}, `${S.earlier}: ${before.length}`), before.map((a) => alarmCard(a, act))));
    show(n.earlier, before.length > 0);

    const target = run.charge_target_coulombs;
    show(charge, run.state !== "idle" && !guides);
    const share = target ? Math.min(1, run.charge_coulombs / target) : null;
    set(n.chargeText, target ? S.chargeOf(F.minutes(run.charge_coulombs), F.minutes(target), Math.floor(share * 100)) : F.minutes(run.charge_coulombs));
    n.chargeFill.style.width = `${(share ?? 0) * 100}%`;
    const faces = run.face?.[1] ?? 1;
    keyed(n.chargeMarks, String(faces), () =>
      Array.from({ length: faces - 1 }, (_, i) => {
        const mark = h("span", { class: "mark" }, S.turnMark);
        mark.style.left = `${((i + 1) * 100) / faces}%`;
        return mark;
      }),
    );

    learn(run);
    const s = scaleOf(run, world.house);
    show(density, active && s.high > 0);
    const at = run.density_amperes_per_square_meter;
    const pc = (v) => `${(Math.min(1, v / s.end) * 100).toFixed(2)}%`;
    set(n.densityText, old ? S.notKnown : F.density(at));
    n.win.style.left = n.winLabel.style.left = pc(s.low);
    n.win.style.width = pc(s.high - s.low);
    show(n.burn, s.burn !== null);
    show(n.burnLabel, s.burn !== null);
    if (s.burn !== null) n.burn.style.left = n.burnLabel.style.left = pc(s.burn);
    n.pin.style.left = pc(at);
    show(n.pin, !old && run.output_commanded);
    set(n.scaleEnd, F.density(s.end));
    const judged = at <= 0 ? "off" : s.burn !== null && at >= s.burn ? "burn" : at < s.low * 0.98 ? "low" : at > s.high * 1.02 ? "high" : "good";
    const rising = judged === "low" && run.phase === "ramp";
    set(n.densityWords, [old ? S.notKnown : S.densityWords[rising ? "rising" : judged], s.burn !== null ? S.burnAt(F.density(s.burn)) : null].filter(Boolean).join("; "));

    const m = old ? null : look.measured;
    put("volts", F.volts(m?.volts), active ? S.atMost(F.volts(run.ceiling_volts)) : "");
    put("amps", F.amps(m?.amperes), active ? S.setTo(F.amps(run.setpoint_amperes)) : "");
    put("thickness", run.thickness_meters === null ? S.time.none : F.length(run.thickness_meters), run.thickness_meters === null ? "" : S.thicknessNote);
    const bath = look.bath;
    const read = run.tank ?? look.tank?.name;
    // Between its powered steps a job's load hangs in another bath than the one that was read, or in none.
    const hangs = guides ? job.steps[job.step - 1]?.tank : read;
    const tank = world.house?.tanks.find((t) => t.tank === hangs);
    const warm = hangs === read ? bath?.temperature_celsius : null;
    put("temperature", guides && !hangs ? S.time.none : warm === null || warm === undefined ? S.notKnown : F.warmth(warm), tank ? S.windowOf(F.warmth(tank.temperature_celsius[0]), F.warmth(tank.temperature_celsius[2])) : "");
    if (!gone) picture(look);
    keyed(n.log, look.log.join("\n"), () => look.log.slice().reverse().map((line) => h("li", {}, F.logged(line))));
    show(more, look.log.length > 0);
  }
  return { root, draw };
}

/** "25 A/dm2" in amperes per square metre. */
function perArea(text) {
  const [, value, unit] = /^\s*([-+\d.eE]+)\s*(.*)$/.exec(text) ?? [];
  return Number(value) * ({ "A/m2": 1, "A/dm2": 100, "A/cm2": 1e4, "A/ft2": 10.763910416709722, "A/in2": 1550.0031000062 }[unit] ?? NaN);
}
