// Runs: the list with its search, one record, two side by side.
import { S } from "./strings.js";
import { button, choice, drawing, field, h, room, show } from "./dom.js";
import * as F from "./figures.js";
import { get, getText } from "./net.js";
import { jobRecord } from "./job.js";
import { after } from "./after.js";
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
  const picture = h("div", { class: "picture" });
  holder.append(...[
    back(), h("h1", {}, run.title), run.cause && h("p", {}, run.ended ? S.endedBy(run.cause) : run.cause), h("div", { class: "sheet" }, figures(FACTS.map(([name, of]) => [name, of(run)])), h("h2", {}, S.runs.plot), picture),
    ...(run.ended ? [after(run), advice(run, frame)].flat().filter(Boolean) : [h("p", { class: "hint" }, S.runs.goesOn)]),
    h("h2", {}, S.runs.events), h("ol", {}, run.events.map((e) => h("li", {}, `${F.clock(new Date(e.at))}  ${e.text}`))),
    h("p", { class: "links" }, h("a", { href: `/api/v1/runs/${id}/record.html` }, S.runs.record), run.job && h("a", { href: jobRecord(run.job) }, S.runs.jobRecord), h("a", { href: `/api/v1/runs/${id}/record.json` }, S.runs.json), h("a", { href: `/api/v1/runs/${id}/record.csv` }, S.runs.csv)),
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

async function list(holder, frame) {
  const body = h("tbody", { role: "rowgroup" });
  const none = h("p", { class: "hint", hidden: true, role: "status" }, S.runs.none);
  const search = h("input", { type: "search", placeholder: S.runs.searchHint, maxlength: 80 });
  const picked = new Set();
  const both = button(S.runs.picked(0), () => (location.hash = `#/runs/${[...picked].join("/")}`), "", { disabled: true });
  const all = [];
  const older = button(S.runs.older, more);

  const heads = [S.runs.pick, S.runs.load, S.runs.began, S.runs.tank, S.runs.state, S.runs.thickness, S.runs.charge, S.runs.by];
  const words = (r) => `${r.title} ${r.tank} ${r.station} ${S.state[r.state] ?? r.state} ${r.started_by} ${F.stamp(r.started)} ${r.id}`.toLowerCase();
  function row(r) {
    const box = h("input", { type: "checkbox", "aria-label": `${S.runs.pick}: ${r.title}, ${F.stamp(r.started)}` });
    box.checked = picked.has(r.id);
    box.addEventListener("change", () => {
      box.checked ? picked.add(r.id) : picked.delete(r.id);
      both.disabled = picked.size !== 2;
      both.textContent = picked.size === 2 ? S.runs.compare : S.runs.picked(picked.size);
    });
    const cells = [F.stamp(r.started), r.tank, S.state[r.state] ?? r.state, thickness(r) ?? S.time.none, F.minutes(r.charge_coulombs), r.started_by];
    // On a phone a row is a card: each cell says what it is.
    return h("tr", { role: "row", "data-state": r.state }, h("td", { role: "cell", class: "pick" }, h("label", { class: "check" }, box, h("span", {}, S.runs.pick))), h("td", { role: "cell", class: "load" }, h("a", { href: `#/runs/${r.id}` }, F.kept(r.title))),
      cells.map((text, i) => h("td", { role: "cell", "data-label": heads[i + 2], class: i === 3 || i === 4 ? "num" : i === 0 ? "when" : null }, text)));
  }
  function draw() {
    const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const fit = all.filter((r) => wanted.every((w) => words(r).includes(w)));
    body.replaceChildren(...fit.map(row));
    show(none, fit.length === 0);
  }
  async function more() {
    const last = all.at(-1);
    const found = await get(`/api/v1/runs?limit=${PAGE}${last ? `&before=${encodeURIComponent(last.id)}` : ""}`);
    all.push(...found);
    show(older, found.length === PAGE);
    draw();
  }
  search.addEventListener("input", draw);
  holder.append(h("h1", {}, S.runs.heading), field(S.runs.search, search), h("div", { class: "row" }, both), none,
    h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": S.runs.heading }, h("table", { class: "cards", role: "table" }, h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, heads.map((t) => h("th", { scope: "col", role: "columnheader" }, t)))), body)), older);
  await more().catch(frame.complain);
}

export async function open(holder, ids, frame) {
  try {
    if (ids.length === 2) return await compare(holder, ids);
    if (ids.length === 1) return await record(holder, ids[0], frame);
  } catch (error) {
    holder.append(back());
    return frame.complain(error);
  }
  await list(holder, frame);
}
