// Numbers for people, by the config's units. Everything comes in base units.
import { S } from "./strings.js";

let us = false;
export function useUnits(units) {
  us = units === "us";
}
/** Inches and fractions of them, not millimetres. */
export const inches = () => us;

// Three figures are what a plater works with: more of them are noise.
const places = (v) => (Math.abs(v) >= 99.95 ? 0 : Math.abs(v) >= 9.995 ? 1 : Math.abs(v) >= 0.9995 ? 2 : 3);
const fig = (v, unit, p = places(v)) => (v === null || v === undefined || !Number.isFinite(v) ? S.notKnown : `${v.toFixed(p).replace("-", "−")} ${unit}`);

export const volts = (v) => fig(v, "V", 2);
export const amps = (v) => fig(v, "A", Math.abs(v) < 0.0005 ? 2 : undefined);
export const density = (v) => (us ? fig(v * 0.09290304, "A/ft²") : fig(v / 100, "A/dm²"));
export const length = (m) => (us ? (m < 2.54e-4 ? fig(m / 2.54e-8, "µin") : fig(m / 0.0254, "in")) : m < 1e-3 ? fig(m * 1e6, "µm") : fig(m * 1e3, "mm"));
export const area = (m2) => (us ? fig(m2 / 6.4516e-4, "in²") : fig(m2 * 100, "dm²"));
export const warmth = (c) => (us ? fig(c * 1.8 + 32, "°F", 0) : fig(c, "°C", 1));
export const minutes = (c) => fig(c / 60, "A·min");
export const hours = (c) => fig(c / 3600, "A·h", c === 0 ? 0 : undefined);
export const mass = (g) => fig(g, "g");
export const liters = (l) => (l < 1 ? fig(l * 1000, "mL") : fig(l, "L"));

// What stands in an empty field, in the config's units: "34 mm" or "1.3 in".
const OTHERS = { mm: ["in", 1 / 25.4], um: ["uin", 1 / 0.0254], dm2: ["in2", 15.5], "A/dm2": ["A/ft2", 9.29] };
export function example(text) {
  const [, number, unit] = /^([\d.]+) (\S+)$/.exec(text) ?? [];
  if (!us || !number) return text;
  if (unit === "degC") return `${Math.round(number * 1.8 + 32)} degF`;
  const other = OTHERS[unit];
  return other ? `${Number((number * other[1]).toPrecision(2))} ${other[0]}` : text;
}

const SIGNS = { um: "µm", uin: "µin", dm2: "dm²", in2: "in²", "A/dm2": "A/dm²", "A/ft2": "A/ft²", "A.min": "A·min", degC: "°C", degF: "°F" };
/** The same as number and unit, the unit as people write it: ["34", "mm"], ["8", "µm"]. */
export function apart(text) {
  const [, number, unit] = /^([\d.]+) (\S+)$/.exec(example(text)) ?? [];
  return [number ?? "", SIGNS[unit] ?? unit ?? ""];
}
/** What was typed as it was understood, the field's own unit left to stand beside it. */
export function tidy(text, unit) {
  const plain = meant(text, unit).replace(/(\d) ?(µ?[a-z][\w./]*)$/i, (all, digit, u) => `${digit} ${SIGNS[u] ?? u}`);
  return unit && plain.endsWith(` ${unit}`) ? plain.slice(0, -unit.length - 1) : plain;
}
/** A decimal comma that cannot be meant otherwise; "1,234" can: one and a bit, or more than a thousand. */
const COMMA = /^([-−]?\d+),(\d+)(?=\s*[^\d,.]|$)/;
export function doubtful(text) {
  const [, whole, part] = COMMA.exec(text.trim()) ?? [];
  return (part?.length === 3 && !/^[-−]?0+$/.test(whole)) || /\d[,.]\d+,|,\d+[,.]/.test(text);
}
/** What was typed as it is sent: a number by itself is in the field's unit, a decimal comma is a point. */
export function meant(text, unit) {
  const plain = doubtful(text) ? text.trim() : text.trim().replace(COMMA, "$1.$2");
  return unit && /^[-−+]?[\d.]+(\s?\d+)?(\/\d+)?$/.test(plain) ? `${plain} ${unit}` : plain;
}

/** "45 s", "7 min 42 s", "1 h 20 min". */
export function time(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return S.notKnown;
  const s = Math.max(0, Math.round(seconds));
  if (s < 90) return `${s} s`;
  if (s < 3600) return s % 60 ? `${Math.floor(s / 60)} min ${s % 60} s` : `${s / 60} min`;
  if (s < 172800) return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
  return `${Math.floor(s / 86400)} d`;
}

/** The same for three metres: figures and their unit apart. */
export function bigTime(seconds) {
  const s = Math.max(0, Math.round(seconds));
  if (s < 60) return [String(s), S.time.s];
  if (s < 3600) return [`${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`, S.time.min];
  return [`${Math.floor(s / 3600)}:${String(Math.floor((s % 3600) / 60)).padStart(2, "0")}`, S.time.h];
}

export const clock = (date) => date.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" }).replace(" ", "\u00a0");
/** A line of the log, its moment as a clock has it. */
export function logged(line) {
  const [, at, text] = /^(\d{4}-\d\d-\d\dT\S+Z) (.*)$/s.exec(line) ?? [];
  return at ? `${new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" })} ${text}` : line;
}
export const day = (text) => new Date(text).toLocaleDateString([], { year: "numeric", month: "short", day: "numeric" });
export const stamp = (text) => `${day(text)}, ${clock(new Date(text))}`;

// What the worksheet's own units are in base units, and how each kind is shown.
const UNITS = {
  A: [amps, 1], V: [volts, 1], m2: [area, 1], dm2: [area, 0.01], cm2: [area, 1e-4], mm2: [area, 1e-6], in2: [area, 6.4516e-4], ft2: [area, 0.09290304],
  "A/m2": [density, 1], "A/dm2": [density, 100], "A/cm2": [density, 1e4], "A/ft2": [density, 10.763910416709722], "A/in2": [density, 1550.0031000062],
  C: [minutes, 1], "A.s": [minutes, 1], "A.min": [minutes, 60], "A.h": [minutes, 3600], mA: [amps, 1e-3], mV: [volts, 1e-3], m: [length, 1], mm: [length, 1e-3], um: [length, 1e-6], nm: [length, 1e-9], in: [length, 0.0254], mil: [length, 2.54e-5], uin: [length, 2.54e-8],
  s: [time, 1], min: [time, 60], h: [time, 3600], d: [time, 86400], mg: [mass, 1e-3], g: [mass, 1], kg: [mass, 1000], degC: [warmth, 1],
};

/** "1.2112724635180807 dm2" as people read it. */
export function quantity(text) {
  if (typeof text !== "string") return S.notKnown;
  const [, number, unit] = /^\s*([-+\d.eE]+)\s*(.*)$/.exec(text) ?? [];
  const row = UNITS[unit];
  if (row) return row[0](Number(number) * row[1]);
  if (unit === "degF") return warmth((Number(number) - 32) / 1.8);
  return number === undefined ? text : fig(Number(number), unit);
}

/** Due by time alone, and never logged: nothing says when it was done, so it is neither early nor late. */
export const neverLogged = (rule) => rule.due_ratio >= 1 && !rule.last_done && !(rule.every_coulombs > 0 && rule.charge_coulombs >= rule.every_coulombs);
/** A name of a sheet, as people say it: "water-break-again" is for the terminal. */
export const words = (name) => String(name ?? "").replaceAll("-", " ");

/** A title whose figure does not part from its unit at the end of a line. */
export const kept = (title) => title.replace(/(\d) (?=[^\s\d]+$)/, "$1\u00a0");
