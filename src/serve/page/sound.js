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

/** On or off; only a person's press may switch it on, browsers insist. */
export function turn(on) {
  clearInterval(timer);
  if (!on) return;
  context ??= new AudioContext();
  context.resume();
  beep();
  timer = setInterval(() => wanted() && beep(), 1500);
}
