// The only way to the daemon: one stream in, questions and commands out.
import { S } from "./strings.js";

/** Longer without a word than this, in milliseconds, and the daemon is lost. It speaks each second. */
export const SILENCE = 2200;

/** So long an answer is waited for, in milliseconds; for STOP: a little longer than the station looks whether the output goes off. */
const PATIENCE = 8000;
const OFF_PATIENCE = 4500;

export const now = () => performance.now();
export const world = { house: null, stations: new Map(), at: 0, session: { needed: false, scope: "admin", csrf: null } };
const listeners = new Set();
export function onNews(deed) {
  listeners.add(deed);
  return () => listeners.delete(deed);
}
const tell = (what) => listeners.forEach((deed) => deed(what));
export const silentFor = () => (world.at ? (now() - world.at) / 1000 : Infinity);
export const lost = () => silentFor() * 1000 > SILENCE;

export class Trouble extends Error {
  constructor(code, detail, errors = [], wait = null, needs = null) {
    super(detail);
    Object.assign(this, { code, detail, errors, wait, needs });
  }
}

async function answered(answer) {
  if (answer.ok) return answer;
  const body = await answer.json().catch(() => ({}));
  const wait = Number(answer.headers.get("retry-after")) || null;
  if (answer.status === 401) tell("login");
  throw new Trouble(body.code ?? String(answer.status), body.detail ?? answer.statusText, body.errors, wait, body.needs);
}

async function ask(path, options = {}, patience = PATIENCE) {
  try {
    return await fetch(path, { credentials: "same-origin", signal: AbortSignal.timeout(patience), ...options });
  } catch {
    throw new Trouble("no-answer", S.noAnswer);
  }
}

export async function get(path) {
  return (await answered(await ask(path))).json();
}
export async function getText(path) {
  return (await answered(await ask(path))).text();
}

export async function post(path, body, headers = {}, patience = PATIENCE) {
  const send = () => {
    const csrf = world.session.csrf ? { "X-Tankside": world.session.csrf } : {};
    const all = { "Content-Type": "application/json", ...csrf, ...headers };
    return ask(path, { method: "POST", headers: all, body: JSON.stringify(body) }, patience);
  };
  let answer = await send();
  if (answer.status === 403) {
    const why = await answer.clone().json().catch(() => ({}));
    if (why.code === "bad-csrf") {
      await askSession();
      answer = await send();
    }
  }
  return (await answered(answer)).json();
}

/** One for each press of a button; repeats with it start nothing twice. */
export function key() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("").replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

const NAME = "tankside-name";
export const operator = () => world.session.name ?? (localStorage.getItem(NAME) || S.set.nobody);
export const rename = (name) => {
  localStorage.setItem(NAME, name.trim());
  tell("name");
};
export const mayOperate = () => world.session.scope !== "watch" && !(world.session.needed && !world.session.scope);

/** For buttons that act: dead, with the reason, for who may only watch. */
export const hands = () => (mayOperate() ? {} : { disabled: true, title: S.scope, "aria-describedby": "may" });

export async function askSession() {
  const answer = await ask("/api/v1/session");
  // A daemon without log-in knows no session: everybody who reaches it may operate it.
  if (answer.status === 404) return world.session;
  world.session = await (await answered(answer)).json();
  return world.session;
}

export const command = (station, verb, more = {}) => post(`/api/v1/stations/${encodeURIComponent(station)}/${verb}`, { by: operator(), ...more });

/** Said again when the connection broke or no place was free: off may be said twice. */
export async function off(station) {
  const until = now() + OFF_PATIENCE;
  for (;;) {
    try {
      return await post(`/api/v1/stations/${encodeURIComponent(station)}/off`, { by: operator() }, {}, Math.round(until - now()));
    } catch (error) {
      const again = error instanceof Trouble && ["no-answer", "too-many"].includes(error.code);
      if (!again || until - now() < 1000) throw error;
      await new Promise((then) => setTimeout(then, 100));
    }
  }
}

function take(looks) {
  for (const look of looks) world.stations.set(look.station, { look, at: now() });
  world.at = now();
  tell("stations");
}

/** The first picture. */
export async function first() {
  const { now: looks, ...house } = await get("/api/v1/house");
  world.house = house;
  take(looks);
}

let source = null;
let again = null;
let opened = 0;
export function listen() {
  hush();
  opened = now();
  source = new EventSource("/api/v1/stream");
  const mine = source;
  source.addEventListener("stations", (event) => {
    take(JSON.parse(event.data));
  });
  source.onerror = () => {
    if (mine !== source) return;
    hush();
    // Not the browser's own pace: a bench waits no longer than it must.
    again = setTimeout(listen, 700);
    tell("silence");
    // It also ends when whoever reads it is not let in any more; the browser does not say so.
    askSession().then((session) => session.needed && !session.name && tell("login"), () => {});
  };
}
export function hush() {
  clearTimeout(again);
  source?.close();
  source = null;
}
// A picture that is old must say so even when nothing comes.
setInterval(() => {
  if (source && lost() && now() - opened > 3000) listen();
  tell("tick");
}, 250);
