// Runs: the list with its search, one record, two side by side.
import { S } from "./strings.js";
import { button, choice, drawing, field, h, room, show } from "./dom.js";
import * as F from "./figures.js";
import { get, getText } from "./net.js";
import { jobRecord } from "./job.js";
import { after } from "./after.js";
import { rest } from "./rest.js";
import { figures } from "./sheet.js";

const PAGE = 50;
const density = (r) => (r.worked_seconds > 0 && r.area_square_meters > 0 ? F.density(r.charge_coulombs / r.worked_seconds / r.area_square_meters) : null);
const thickness = (r) => (r.thickness_meters === null ? null : F.length(r.thickness_meters));

const FACTS = [
  [S.runs.state, (r) => S.state[r.state] ?? r.state], [S.runs.thickness, thickness], [S.runs.charge, (r) => F.minutes(r.charge_coulombs)], [S.runs.target, (r) => (r.target_coulombs === null ? null : F.minutes(r.target_coulombs))],
  [S.runs.worked, (r) => F.time(r.worked_seconds)], [S.runs.density, density], [S.runs.area, (r) => F.area(r.area_square_meters)], [S.runs.parts, (r) => String(r.parts)],
  [S.runs.tank, (r) => r.tank], [S.runs.station, (r) => r.station], [S.runs.by, (r) => r.started_by], [S.runs.began, (r) => F.stamp(r.started)], [S.runs.ended, (r) => (r.ended ? F.stamp(r.ended) : null)],
  [S.runs.unobserved, (r) => (r.unobserved_seconds > 0 ? F.time(r.unobserved_seconds) : null)],
];

async function plot(id, place, beside) {
  try {
    place.replaceChildren(drawing(await getText(`/api/v1/runs/${id}/plot.svg?width=${room(place)}${beside ? `&with=${beside}` : ""}`), S.runs.plot) ?? "");
  } catch {
    place.replaceChildren(h("p", { class: "hint" }, S.runs.noPlot));
  }
}
const back = () => h("p", { class: "links" }, h("a", { href: "#/runs" }, S.runs.back));

/** For spreadsheets and programs, at the very end. */
const machines = (path) => h("p", { class: "links machines" }, h("a", { href: `${path}/record.csv` }, S.runs.csv), h("a", { href: `${path}/record.json` }, S.runs.json));
/** Where what a cause rests on can be looked up; its job only where the run was one of a job. */
function evidence(cause, run) {
  const record = `/api/v1/runs/${run.id}/record.html`;
  const tank = `#/tanks/${encodeURIComponent(run.tank)}`;
  const places = {
    readings: [S.runs.rests.readings, `/api/v1/runs/${run.id}/record.csv`], alarms: [S.runs.rests.alarms, record], phases: [S.runs.rests.phases, record], order: [S.runs.rests.order, record], measured: [S.runs.rests.measured, record],
    job: run.job && [S.runs.rests.job, jobRecord(run.job)], analyses: [S.runs.rests.analyses(run.tank), tank], upkeep: [S.runs.rests.upkeep(run.tank), tank],
  };
  const links = cause["rests-on"].map((what) => places[what]).filter(Boolean);
  return links.length > 0 && h("p", { class: "links" }, links.map(([what, href]) => h("a", { href }, S.runs.restsOn(what))));
}

/** What the record speaks for, one by one; then what cannot be told, and what it speaks against. */
function judged(found, run) {
  const cause = (c) => h("section", { class: "cause" }, h("h3", {}, h("span", {}, c.cause), h("small", {}, S.runs.verdict[c.verdict])),
    h("dl", {}, [[S.runs.seen, c.seen], [S.runs.how, `${c.how} (${c.source})`], [S.runs.checkNext, c.check]].map(([name, text]) => [h("dt", {}, name), h("dd", {}, text)])), evidence(c, run));
  const rest = (heading, verdict, check) => {
    const some = found.causes.filter((c) => c.verdict === verdict);
    return some.length > 0 && h("details", {}, h("summary", {}, heading), h("ul", {}, some.map((c) => h("li", {}, `${c.cause}: ${c.seen}${check ? `; ${S.runs.checkNext}: ${c.check}` : ""}`, evidence(c, run)))));
  };
  return [
    found.first && h("p", { class: "wrong" }, found.first), !found["any-evidence"] && h("p", {}, S.runs.noEvidence), found.causes.filter((c) => c.verdict in S.runs.verdict).map(cause),
    rest(S.runs.unknown, "unknown", true), rest(S.runs.against, "against", false), h("details", {}, h("summary", {}, S.runs.notKnown), h("ul", {}, found["not-known"].map((t) => h("li", {}, t)))),
  ].flat().filter(Boolean);
}

/** Why it came out like that, by its record: the daemon judges, this asks. */
function advice(run, frame) {
  const saw = choice(S.saws, "");
  const said = h("div", { class: "advice", "aria-live": "polite" });
  const ask = button(S.runs.ask, async () => {
    try {
      const found = await get(`/api/v1/runs/${run.id}/advice?saw=${encodeURIComponent(saw.value)}`);
      said.replaceChildren(h("h3", {}, S.saws[found.saw] ?? found.saw), ...judged(found, run));
    } catch (error) {
      frame.complain(error);
    }
  });
  return [h("h2", {}, S.runs.advice), h("div", { class: "row" }, field(S.runs.saw, saw), ask), said];
}

async function record(holder, id, frame) {
  const run = await get(`/api/v1/runs/${id}`);
  // A long run's record takes a while: nothing else waits for it.
  const whole = run.ended && get(`/api/v1/runs/${id}/record.json`).catch(() => null);
  const picture = h("div", { class: "picture" });
  holder.append(...[
    back(), h("h1", {}, run.title), run.job && h("p", { class: "links" }, h("a", { href: `#/runs/job/${run.job}` }, S.runs.toJob)), run.cause && h("p", {}, run.ended ? S.endedBy(run.cause) : run.cause), h("div", { class: "sheet" }, figures(FACTS.map(([name, of]) => [name, of(run)])), h("h2", {}, S.runs.plot), picture),
    ...(run.ended ? [after({ path: `/api/v1/runs/${id}` }, run.metal ? [[null, id]] : [], whole), advice(run, frame)].flat(3).filter(Boolean) : [h("p", { class: "hint" }, S.runs.goesOn)]),
    h("h2", {}, S.runs.events), h("ol", {}, run.events.map((e) => h("li", {}, `${F.clock(new Date(e.at))}  ${e.text}`))),
    h("p", { class: "links" }, h("a", { href: `/api/v1/runs/${id}/record.html` }, S.runs.record), run.job && h("a", { href: jobRecord(run.job) }, S.runs.jobRecord)), machines(`/api/v1/runs/${id}`),
  ].flat().filter(Boolean));
  plot(id, picture);
}

async function compare(holder, ids) {
  const runs = await Promise.all(ids.map((id) => get(`/api/v1/runs/${id}`)));
  const picture = h("div", { class: "picture" });
  const rows = FACTS.map(([name, of]) => [name, ...runs.map(of)]).filter((row) => row.slice(1).some((v) => v !== null));
  holder.append(
    back(), h("h1", {}, S.runs.comparing),
    h("div", { class: "scroll beside", tabindex: "0", role: "region", "aria-label": S.runs.comparing }, h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, S.runs.figure), runs.map((r, i) => h("th", { scope: "col" }, `${S.runs.which[i]}: ${r.title}`)))),
      h("tbody", {}, rows.map(([name, ...cells]) => h("tr", {}, h("th", { scope: "row" }, name), cells.map((c) => h("td", { class: "num" }, c ?? S.time.none))))))),
    h("div", { class: "sheet" }, h("h2", {}, S.runs.plot), h("ul", { class: "keys" }, runs.map((r, i) => h("li", {}, h("strong", {}, S.runs.which[i]), ` ${S.runs.lines[i]}: ${r.title}, ${F.stamp(r.started)}`))), picture),
  );
  plot(ids[0], picture, ids[1]);
}

/** A job's own page: what was done, what came of it, its sign-off, and what the parts measured at each step. */
async function job(holder, id, frame) {
  const [made, record] = await Promise.all([get(`/api/v1/jobs/${id}`), get(`/api/v1/jobs/${id}/record.json`)]);
  const steps = record.steps;
  const row = (s) => {
    const run = s.run;
    const got = run ? [run.thickness && F.length(run.thickness.mean_meters), F.minutes(run.charge_coulombs), F.time(run.worked_seconds)] : [s.dwell_seconds !== null && F.time(s.dwell_seconds)];
    const name = h("strong", {}, F.words(s.name));
    return h("li", {}, run ? h("a", { href: `#/runs/${run.id}` }, name) : name, s.tank ? `, ${s.tank}` : "", `: ${[S.outcome[s.outcome] ?? s.outcome, s.reason, ...got].filter(Boolean).join(", ")}`);
  };
  // A run has its own record, where what was measured on its parts is kept.
  const runs = steps.filter((s) => s.run?.thickness).map((s) => [s, s.run.id]);
  holder.append(...[
    back(), h("h1", {}, made.title), made.cause && h("p", {}, made.ended ? S.endedBy(made.cause) : made.cause),
    h("div", { class: "sheet" }, figures([
      [S.runs.state, S.state[made.state] ?? made.state], [S.after.entry.lot, record.lot], [S.after.entry.customer, record.customer], [S.plan.sheetName, F.words(made.sheet)], [S.plan.base, made.base], [S.runs.parts, String(made.parts)],
      [S.runs.station, made.station], [S.runs.by, made.started_by], [S.runs.began, F.stamp(made.started)], [S.runs.ended, made.ended ? F.stamp(made.ended) : null],
    ])),
    record.deviations.length > 0 && [h("h2", {}, S.runs.deviations), h("ul", {}, record.deviations.map((d) => h("li", {}, `${F.clock(new Date(d.at))}  ${[d.by, d.text].filter(Boolean).join(": ")}`)))],
    h("h2", {}, S.runs.steps), h("ol", { class: "jobsteps" }, steps.map(row)),
    rest(made, frame),
    made.ended ? after({ path: `/api/v1/jobs/${id}` }, runs, record) : h("p", { class: "hint" }, S.runs.goesOn),
    h("p", { class: "links" }, h("a", { href: jobRecord(id) }, S.runs.record)), machines(`/api/v1/jobs/${id}`),
  ].flat(3).filter(Boolean));
}

async function list(holder, frame) {
  const body = h("tbody", { role: "rowgroup" });
  const none = h("p", { class: "hint", hidden: true, role: "status" });
  const search = h("input", { type: "search", maxlength: 80 });
  const kind = choice(S.runs.kinds, "loads", again);
  const picked = new Set();
  const both = button(S.runs.picked(0), () => (location.hash = `#/runs/${[...picked].join("/")}`), "", { disabled: true });
  const older = button(S.runs.older, () => more().catch(frame.complain));
  let lists = [];
  let asked = 0;
  let timer = null;

  const heads = [S.runs.pick, S.runs.load, S.runs.lot, S.runs.began, S.runs.tank, S.runs.state, S.runs.thickness, S.runs.charge, S.runs.by];
  function pick(r) {
    const box = h("input", { type: "checkbox", "aria-label": `${S.runs.pick}: ${r.title}, ${F.stamp(r.started)}` });
    box.checked = picked.has(r.id);
    box.addEventListener("change", () => {
      box.checked ? picked.add(r.id) : picked.delete(r.id);
      both.disabled = picked.size !== 2;
      both.textContent = picked.size === 2 ? S.runs.compare : S.runs.picked(picked.size);
    });
    return h("label", { class: "check" }, box, h("span", {}, S.runs.pick));
  }
  function row(r) {
    const isJob = "sheet" in r;
    const lot = [r.lot, r.customer].filter(Boolean).join(", ") || S.time.none;
    const state = S.state[r.state] ?? r.state;
    const cells = isJob ? [lot, F.stamp(r.started), S.time.none, state, S.time.none, S.time.none, r.started_by] : [lot, F.stamp(r.started), r.tank, state, thickness(r) ?? S.time.none, F.minutes(r.charge_coulombs), r.started_by];
    // On a phone a row is a card: each cell says what it is; what a job has not is left out there.
    return h("tr", { role: "row", "data-state": r.state }, h("td", { role: "cell", class: "pick" }, !isJob && pick(r)), h("td", { role: "cell", class: "load" }, h("a", { href: `#/runs/${isJob ? "job/" : ""}${r.id}` }, F.kept(r.title)), isJob && h("small", { class: "kind" }, S.runs.isJob)),
      cells.map((text, i) => h("td", { role: "cell", "data-label": heads[i + 2], class: [i === 4 || i === 5 ? "num" : i === 1 ? "when" : "", text === S.time.none ? "empty" : ""].join(" ").trim() || null }, text)));
  }
  function draw() {
    // Two lists in one: what is older than the end of a list that goes on is not shown before its next page.
    const ends = lists.filter((l) => !l.whole).map((l) => l.rows.at(-1)?.id ?? "");
    const fit = lists.flatMap((l) => l.rows).filter((r) => ends.every((end) => r.id >= end)).sort((a, b) => (a.id < b.id ? 1 : -1));
    body.replaceChildren(...fit.filter((r) => kind.value === "runs" || !r.job).map(row));
    show(older, ends.length > 0);
    none.textContent = ends.length ? S.runs.noneYet : S.runs.none;
    show(none, body.children.length === 0);
  }
  async function more() {
    const mine = asked;
    const words = search.value.trim();
    const pages = await Promise.all(lists.filter((l) => !l.whole).map(async (l) => [l, await get(`${l.path}?limit=${PAGE}${l.rows.length ? `&after=${encodeURIComponent(l.rows.at(-1).id)}` : ""}${words ? `&find=${encodeURIComponent(words)}` : ""}`)]));
    // The answer to what was typed before is late: a newer question is out.
    if (mine !== asked) return;
    for (const [l, found] of pages) {
      l.rows.push(...found);
      l.whole = found.length < PAGE;
    }
    draw();
    // A page may hold nothing but steps of jobs.
    if (!body.children.length && lists.some((l) => !l.whole)) return more();
  }
  function again() {
    asked += 1;
    lists = (kind.value === "runs" ? ["/api/v1/runs"] : ["/api/v1/runs", "/api/v1/jobs"]).map((path) => ({ path, rows: [], whole: false }));
    return more().catch(frame.complain);
  }
  search.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(again, 250);
  });
  holder.append(h("h1", {}, S.runs.heading), h("div", { class: "grid long" }, field(S.runs.search, search, S.runs.searchNote), field(S.runs.kind, kind)), h("div", { class: "row" }, both), none,
    h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": S.runs.heading }, h("table", { class: "cards", role: "table" }, h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, heads.map((t) => h("th", { scope: "col", role: "columnheader" }, t)))), body)), older);
  await again();
}

export async function open(holder, ids, frame) {
  try {
    if (ids[0] === "job") return await job(holder, ids[1], frame);
    if (ids.length === 2) return await compare(holder, ids);
    if (ids.length === 1) return await record(holder, ids[0], frame);
  } catch (error) {
    holder.append(back());
    return frame.complain(error);
  }
  await list(holder, frame);
}
