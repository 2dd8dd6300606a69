// A sound while an alarm stands that nobody has acknowledged: made here, no file.
import { lost, world } from "./net.js";

let context = null;
let timer = null;

function beep() {
  const tone = context.createOscillator();
  const loudness = context.createGain();
  const begin = context.currentTime;
  tone.type = "triangle";
  tone.frequency.setValueAtTime(880, begin);
  tone.frequency.setValueAtTime(660, begin + 0.18);
  loudness.gain.setValueAtTime(0.0001, begin);
  loudness.gain.exponentialRampToValueAtTime(0.4, begin + 0.02);
  loudness.gain.exponentialRampToValueAtTime(0.0001, begin + 0.4);
  tone.connect(loudness).connect(context.destination);
  tone.start(begin);
  tone.stop(begin + 0.42);
}

const wanted = () => lost() || [...world.stations.values()].some((s) => s.look.alarms.some((a) => a.state === "unacknowledged"));

/** On or off; `tell` hears whether it can be heard: browsers let no page make a sound before somebody touched it. */
export function turn(on, tell) {
  clearInterval(timer);
  if (!on) return;
  if (!context) {
    context = new AudioContext();
    context.addEventListener("statechange", () => tell(context.state === "running"));
  }
  context.resume().catch(() => {});
  tell(context.state === "running");
  timer = setInterval(() => context.state === "running" && wanted() && beep(), 1500);
}

/** So that who switches it on hears what it is like. */
export function sample() {
  if (context?.state === "running") beep();
  else context?.addEventListener("statechange", () => context.state === "running" && beep(), { once: true });
}
