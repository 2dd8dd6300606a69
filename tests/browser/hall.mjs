// A simulated supply, a daemon and a browser, started here and ended here.
import { spawn } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
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

const ended = (child) => (child.exitCode !== null || child.signalCode !== null ? Promise.resolve() : new Promise((go) => child.once("exit", go)));

const config = (folder, more) => `[daemon]
listen = "127.0.0.1:0"
state = ${JSON.stringify(join(folder, "state"))}
units = ${JSON.stringify(more.units ?? "metric")}
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
`;

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
    else this.text = (await import("node:fs")).readFileSync(this.config, "utf8");
    const daemon = start(["serve", "--config", this.config], /address=127\.0\.0\.1:(\d+)|listening.*127\.0\.0\.1:(\d+)/);
    const match = await daemon.found.catch((error) => {
      throw error;
    });
    this.daemon = daemon.child;
    this.port = Number(match[1] ?? match[2]);
    this.url = `http://127.0.0.1:${this.port}`;
    await until("ready", async () => (await fetch(`${this.url}/readyz`)).ok);
  }

  async kill(signal = "SIGKILL") {
    this.daemon.kill(signal);
    await ended(this.daemon);
  }

  async get(path) {
    return (await fetch(this.url + path)).json();
  }
  async post(path, body) {
    const answer = await fetch(this.url + path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ by: "mila", ...body }) });
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

/** A page at that size, with what it complained of. */
export async function page(where, hall, { size = "tablet", scheme = "light", hash = "" } = {}) {
  const context = await where.newContext({ viewport: SIZES[size], colorScheme: scheme, deviceScaleFactor: 1 });
  const opened = await context.newPage();
  opened.complaints = [];
  opened.on("pageerror", (error) => opened.complaints.push(String(error)));
  opened.on("console", (message) => {
    // What the daemon refuses is the page's to say; a file of the page that is not there is a fault.
    const refused = /Failed to load resource/.test(message.text()) && message.location().url.includes("/api/");
    if (message.type() === "error" && !refused && !/net::ERR/.test(message.text())) opened.complaints.push(message.text());
  });
  await opened.goto(`${hall.url}/${hash}`);
  return opened;
}

/** Fills the plan's form with the load of these tests. */
export async function fill(opened, thickness = "8 um") {
  await opened.getByLabel("How many").fill("6");
  await opened.getByLabel("Called").fill("key cups");
  await opened.getByLabel("Diameter").fill("34 mm");
  await opened.getByLabel("Thickness", { exact: true }).fill("1 mm");
  await opened.getByLabel("How much").fill(thickness);
}
