// A simulated supply, a daemon and a browser, started here and ended here.
import { spawn, spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { connect } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";

const root = new URL("../..", import.meta.url).pathname;
const need = createRequire(process.env.TANKSIDE_BROWSER_TOOLS ?? join(root, "target/tools/browser/package.json"));
export const { chromium } = need("playwright-core");
export const AXE = need.resolve("axe-core/axe.min.js");
const TANKSIDE = process.env.TANKSIDE ?? join(root, "target/debug/tankside");
const CHROMIUM = process.env.CHROMIUM ?? "/usr/bin/chromium";
const PATIENCE = 30_000;

/** Looks until there is something; `look` throws or gives nothing until then. */
export async function until(what, look) {
  const end = Date.now() + PATIENCE;
  let last = "";
  for (;;) {
    try {
      const found = await look();
      if (found) return found;
    } catch (error) {
      last = String(error);
    }
    if (Date.now() > end) throw new Error(`never ${what} ${last}`);
    await new Promise((go) => setTimeout(go, 40));
  }
}

const children = new Set();
process.on("exit", () => children.forEach((child) => child.kill("SIGKILL")));
for (const signal of ["SIGINT", "SIGTERM"]) process.on(signal, () => process.exit(1));

function start(args, ready) {
  const child = spawn(TANKSIDE, args, { stdio: ["ignore", "pipe", "pipe"] });
  children.add(child);
  let said = "";
  const found = new Promise((resolve, reject) => {
    const hear = (bytes) => {
      said += bytes;
      const match = ready.exec(said);
      if (match) resolve(match);
    };
    child.stdout.on("data", hear);
    child.stderr.on("data", hear);
    child.on("exit", (code) => {
      children.delete(child);
      reject(new Error(`tankside ${args[0]} ended (${code}): ${said}`));
    });
  });
  return { child, found, said: () => said };
}

/** A token of that scope, as a person makes one. */
function token(config, scope) {
  const made = spawnSync(TANKSIDE, ["--config", config, "token", "add", `a-${scope}`, "--scope", scope], { encoding: "utf8" });
  const found = /\b[\w-]{24,}\b/.exec(made.stdout);
  if (!found) throw new Error(`no token: ${made.stdout} ${made.stderr}`);
  return found[0];
}

const ended = (child) => (child.exitCode !== null || child.signalCode !== null ? Promise.resolve() : new Promise((go) => child.once("exit", go)));

/** A second station; nobody answers at its port. */
const second = `[[station]]
name = "barrel"
[station.supply]
dialect = "scpi"
port = "/nowhere/supply"
baud = 9600
identity = "TANKSIDE,MIMIC"
max-current = "40 A"
max-voltage = "16 V"
`;

/** A second tank that could be the nickel of a sheet. */
const bright = `[[tank]]
name = "bright"
bath = "bright-nickel"
volume = "20 L"
anode-area = "6 dm2"
agitation = "air"
`;

const config = (folder, more) => `[daemon]
listen = "127.0.0.1:0"
state = ${JSON.stringify(join(folder, "state"))}
units = ${JSON.stringify(more.units ?? "metric")}
${more.tokens ? 'loopback = "token"' : ""}
${more.second ? second : ""}
[[station]]
name = "bench"
[station.supply]
dialect = "scpi"
port = ${JSON.stringify(join(folder, "supply"))}
baud = 115200
identity = "TANKSIDE,MIMIC"
max-current = "10 A"
max-voltage = "12 V"
[[tank]]
name = "nickel"
bath = "watts-nickel"
volume = "20 L"
anode-area = "6 dm2"
agitation = "air"
[[tank.upkeep]]
name = "brightener"
every = "300 A.h"
dose = "100 mL/kA.h"
[[tank.upkeep]]
name = "filter"
or-every = "30 d"
[[tank]]
name = "cleaner"
bath = "electrocleaner"
volume = "20 L"
anode-area = "12 dm2"
[[tank]]
name = "acid"
bath = "acid-activator"
volume = "10 L"
[[tank]]
name = "silver"
bath = "silver"
volume = "12 L"
anode-area = "4 dm2"
agitation = "rod"
${more.bright ? bright : ""}`;

/** The load of these tests, short enough to be watched. */
export const request = (more = {}) => ({
  tank: "nickel",
  part: [{ name: "key cups", count: 6, disc: { diameter: "34 mm", thickness: "1 mm" } }],
  end: { thickness: "8 um" },
  ramp: { time: "2 s" },
  turn: { faces: 2 },
  ...more,
});

export class Hall {
  static async open(more = {}) {
    const hall = new Hall();
    hall.folder = mkdtempSync(join(tmpdir(), "tankside-page-"));
    hall.config = join(hall.folder, "tankside.toml");
    writeFileSync(hall.config, config(hall.folder, more));
    hall.tokens = Object.fromEntries((more.tokens ?? []).map((scope) => [scope, token(hall.config, scope)]));
    const mimic = start(
      ["mimic", "--agitation", "air", "--seed", "7", "--area", "1.2112724635 dm2", "--baud", "115200", "--control", "127.0.0.1:0", "--link", join(hall.folder, "supply")],
      /control (127\.0\.0\.1:\d+)[\s\S]*ready|ready[\s\S]*control (127\.0\.0\.1:\d+)/,
    );
    const match = await mimic.found;
    mimic.found.catch(() => {});
    hall.mimic = mimic.child;
    hall.control = match[1] ?? match[2];
    hall.port = 0;
    await hall.serve();
    return hall;
  }

  /** Starts the daemon, at the same address as before when there was one. */
  async serve() {
    if (this.port) writeFileSync(this.config, this.text.replace("127.0.0.1:0", `127.0.0.1:${this.port}`));
    else this.text = readFileSync(this.config, "utf8");
    const daemon = start(["serve", "--config", this.config], /address=127\.0\.0\.1:(\d+)|listening.*127\.0\.0\.1:(\d+)/);
    const match = await daemon.found.catch((error) => {
      throw error;
    });
    this.daemon = daemon.child;
    this.port = Number(match[1] ?? match[2]);
    this.url = `http://127.0.0.1:${this.port}`;
    // A second station that nobody answers for is never ready; the first is.
    await until("ready", async () => (await this.get("/api/v1/stations/bench")).link.up);
  }

  async kill(signal = "SIGKILL") {
    this.daemon.kill(signal);
    await ended(this.daemon);
  }

  /** As a person takes a token back. */
  revoke(scope) {
    const done = spawnSync(TANKSIDE, ["--config", this.config, "token", "revoke", `a-${scope}`], { encoding: "utf8" });
    if (done.status !== 0) throw new Error(`not revoked: ${done.stderr}`);
  }

  who() {
    return this.tokens.operate ? { Authorization: `Bearer ${this.tokens.operate}` } : {};
  }
  async get(path) {
    return (await fetch(this.url + path, { headers: this.who() })).json();
  }
  async post(path, body) {
    const answer = await fetch(this.url + path, { method: "POST", headers: { "Content-Type": "application/json", ...this.who() }, body: JSON.stringify({ by: "mila", ...body }) });
    const said = await answer.json();
    if (!answer.ok) throw new Error(`${path}: ${JSON.stringify(said)}`);
    return said;
  }
  start(more) {
    return this.post("/api/v1/stations/bench/start", { request: request(more) });
  }
  look() {
    return this.get("/api/v1/stations/bench");
  }
  untilLook(what, wanted) {
    return until(what, async () => {
      const look = await this.look();
      return wanted(look) && look;
    });
  }
  /** One line to the simulated supply's control port. */
  does(line) {
    const [host, port] = this.control.split(":");
    return new Promise((resolve, reject) => {
      const socket = connect(Number(port), host, () => socket.write(`${line}\n`));
      let said = "";
      socket.on("data", (bytes) => {
        said += bytes;
        if (said.includes("\n")) {
          socket.end();
          said.trim() === "ok" ? resolve() : reject(new Error(said));
        }
      });
      socket.on("error", reject);
    });
  }

  async close() {
    if (this.daemon.exitCode === null) await this.kill("SIGTERM");
    this.mimic.kill();
    await ended(this.mimic);
    rmSync(this.folder, { recursive: true, force: true });
  }
}

export const browser = () => chromium.launch({ executablePath: CHROMIUM, args: ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"] });

export const SIZES = { phone: { width: 390, height: 844 }, tablet: { width: 1024, height: 768 }, desktop: { width: 1440, height: 900 } };

/** With LIVE=1 the page's files are those of the source and not those that were built in: for who works on them. */
export async function live(context) {
  if (!process.env.LIVE) return;
  await context.route(/\/page(\.js|\.css|\/[\w-]+\.js)$/, async (route) => {
    const response = await route.fetch();
    const name = new URL(route.request().url()).pathname.split("/").pop();
    const type = name.endsWith(".css") ? "text/css" : "text/javascript";
    await route.fulfill({ response, status: 200, headers: { ...response.headers(), "content-type": type }, body: readFileSync(join(root, "src/serve/page", name)) });
  });
  await context.route(/:\d+\/$/, async (route) => {
    const response = await route.fetch();
    await route.fulfill({ response, body: readFileSync(join(root, "src/serve/page/index.html")) });
  });
}

/** Every picture that the page gets is changed first: for states that would take hours to come. */
export async function pretend(context, hall, change) {
  const looks = async () => {
    const { now } = await hall.get("/api/v1/house");
    now.forEach(change);
    return now;
  };
  await context.route("**/api/v1/house", async (route) => {
    const response = await route.fetch();
    const house = await response.json();
    house.now.forEach(change);
    await route.fulfill({ response, json: house });
  });
  await context.route("**/api/v1/stream", async (route) => route.fulfill({ contentType: "text/event-stream", body: `event: stations\ndata: ${JSON.stringify(await looks())}\n\n` }).catch(() => {}));
}

/** A page at that size, with what it complained of. */
export async function page(where, hall, { size = "tablet", scheme = "light", hash = "", change = null } = {}) {
  const context = await where.newContext({ viewport: SIZES[size], colorScheme: scheme, deviceScaleFactor: 1 });
  const opened = await context.newPage();
  opened.complaints = [];
  opened.on("pageerror", (error) => opened.complaints.push(String(error)));
  opened.on("console", (message) => {
    // What the daemon refuses is the page's to say; a file of the page that is not there is a fault.
    const refused = /Failed to load resource/.test(message.text()) && message.location().url.includes("/api/");
    if (message.type() === "error" && !refused && !/net::ERR/.test(message.text())) opened.complaints.push(message.text());
  });
  await live(context);
  if (change) await pretend(context, hall, change);
  await opened.goto(`${hall.url}/${hash}`);
  return opened;
}

/** Six brass cups for the nickel sheet, as a person asks for them on Plan. */
export async function fillSheet(opened) {
  await opened.getByLabel("How", { exact: true }).selectOption("sheet");
  await opened.getByLabel("Sheet", { exact: true }).selectOption("nickel-on-copper-alloys");
  await opened.getByLabel("Parts are of").selectOption("brass");
  await opened.getByLabel("How many").fill("6");
  await opened.getByLabel("Diameter").fill("34 mm");
  await opened.getByLabel("Thickness", { exact: true }).fill("1 mm");
}

/** Fills the plan's form with the load of these tests. */
export async function fill(opened, thickness = "8 um") {
  await opened.getByLabel("How many").fill("6");
  await opened.getByLabel("Called").fill("key cups");
  await opened.getByLabel("Diameter").fill("34 mm");
  await opened.getByLabel("Thickness", { exact: true }).fill("1 mm");
  await opened.getByLabel("How much").fill(thickness);
}
