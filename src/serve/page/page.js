"use strict";
// Text only ever goes in through textContent: nothing a supply or a person wrote becomes markup.
const main = document.getElementById("stations");
const news = document.getElementById("news");
let heard = 0;
let token = sessionStorage.getItem("token");

function node(name, text, className) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

function time(seconds) {
  const s = Math.max(0, Math.round(seconds));
  return s < 90 ? `${s} s` : `${Math.floor(s / 60)} min ${s % 60} s`;
}

function figure(value, unit, digits) {
  return value === null || value === undefined ? "not known" : `${value.toFixed(digits)} ${unit}`;
}

function toDo(station) {
  const question = station.run.question;
  if (question === "hang-part") return "Hang the part, then answer.";
  if (question === "held") return "Held: resume or stop.";
  if (question && question["turn-part"]) {
    const turn = question["turn-part"];
    return `Turn the part: face ${turn.next} of ${turn.faces} to the anode, then answer.`;
  }
  return "";
}

function show(station) {
  const loud = station.alarms.some((a) => a.state === "unacknowledged" || a.state === "acknowledged");
  const box = node("section", undefined, station.stale ? "stale" : loud ? "alarm" : "");
  const run = station.run;
  box.append(node("h2", `${station.station}: ${run.state}${run.state === "running" ? `, ${run.phase}` : ""}`));
  for (const alarm of station.alarms) box.append(node("p", `${alarm.text} ${alarm.remedy}`, "do"));
  if (toDo(station)) box.append(node("p", toDo(station), "do"));
  if (!station.output_known) box.append(node("p", "It is not known whether the output is on: go to the supply.", "do"));
  const list = node("dl");
  const row = (name, text) => list.append(node("dt", name), node("dd", text));
  if (run.title) row("load", run.title);
  row("output", station.output_known ? (station.output_on ? "on" : "off") : "not known");
  row("volts", figure(station.measured?.volts, "V", 3));
  row("amperes", figure(station.measured?.amperes, "A", 3));
  if (run.charge_target_coulombs) {
    const share = Math.floor((100 * run.charge_coulombs) / run.charge_target_coulombs);
    row("charge", `${share} %  (${(run.charge_coulombs / 60).toFixed(2)} of ${(run.charge_target_coulombs / 60).toFixed(2)} A·min)`);
  } else {
    row("charge", `${(run.charge_coulombs / 60).toFixed(2)} A·min`);
  }
  if (run.left_seconds !== null) row("time left", time(run.left_seconds));
  if (run.thickness_meters !== null) row("thickness", `${(run.thickness_meters * 1e6).toFixed(2)} µm`);
  row("reading", `${time(station.age_seconds)} old`);
  row("link", station.link.up ? "up" : station.link.trouble || "down");
  if (station.tank) row(`tank ${station.tank.name}`, `${(station.tank.charge_coulombs / 3600).toFixed(3)} A·h`);
  box.append(list);
  return box;
}

async function ask() {
  try {
    const headers = token ? { Authorization: `Bearer ${token}` } : {};
    const answer = await fetch("/api/v1/stations", { headers, signal: AbortSignal.timeout(3000) });
    if (answer.status === 401) {
      token = window.prompt("This daemon asks for its token:");
      if (token) sessionStorage.setItem("token", token);
      return;
    }
    const stations = await answer.json();
    main.replaceChildren(...stations.map(show));
    heard = Date.now();
    news.textContent = "Live.";
  } catch {
    const ago = heard ? `the picture is ${time((Date.now() - heard) / 1000)} old` : "nothing heard yet";
    news.textContent = `The daemon does not answer; ${ago}.`;
    for (const box of main.children) box.className = "stale";
  }
}

async function forever() {
  await ask();
  setTimeout(forever, 1000);
}
forever();
