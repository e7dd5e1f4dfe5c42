// What the hand feels, the ear hears and the eye sees besides the page itself.

const kept = {
  get(name, otherwise) {
    try {
      return localStorage.getItem(`throwproof-${name}`) ?? otherwise;
    } catch {
      return otherwise;
    }
  },
  set(name, value) {
    try {
      localStorage.setItem(`throwproof-${name}`, value);
    } catch {
      // Kept for this page only, then.
    }
  },
};

const chosen = {
  sound: kept.get("sound", "on"),
  buzz: kept.get("buzz", "on"),
  theme: kept.get("theme", "auto"),
};

export const setting = (name) => chosen[name];

export function choose(name, value) {
  chosen[name] = value;
  kept.set(name, value);
  if (name === "theme") paint();
}

const light = matchMedia("(prefers-color-scheme: light)");

export function paint() {
  const asPhone = light.matches ? "light" : "dark";
  document.documentElement.dataset.theme = chosen.theme === "auto" ? asPhone : chosen.theme;
}

light.addEventListener("change", paint);

// Tones, each as pairs of hertz and seconds. High is straight, low is diverging.
const TONES = {
  straight: [[880, 0.12]],
  diverging: [[440, 0.12]],
  tap: [[660, 0.06]],
  question: [[587, 0.05]],
  look: [[494, 0.08], [740, 0.12]],
  alarm: [[330, 0.15], [247, 0.2]],
};

let audio;

// Browsers let a page sound only after a tap; call this in one.
export function unlock() {
  if (chosen.sound !== "on") return;
  try {
    audio ??= new AudioContext();
    audio.resume();
  } catch {
    // No sound on this phone.
  }
}

export function tone(name) {
  if (chosen.sound !== "on" || !audio || audio.state !== "running") return;
  let at = audio.currentTime;
  for (const [hertz, seconds] of TONES[name] ?? TONES.tap) {
    const voice = audio.createOscillator();
    const loudness = audio.createGain();
    voice.frequency.value = hertz;
    loudness.gain.setValueAtTime(0.0001, at);
    loudness.gain.exponentialRampToValueAtTime(0.4, at + 0.01);
    loudness.gain.exponentialRampToValueAtTime(0.0001, at + seconds);
    voice.connect(loudness).connect(audio.destination);
    voice.start(at);
    voice.stop(at + seconds);
    at += seconds;
  }
}

// Milliseconds on and off. Only in a tap, or the browser complains.
export function buzz(pattern) {
  if (chosen.buzz === "on" && navigator.vibrate) navigator.vibrate(pattern);
}

// The screen stays on while a question is open, where the browser lets a page ask for that: over
// plain HTTP only on this very computer.
export const canStayAwake = () => "wakeLock" in navigator;

let lock = null;
let wanted = false;

export async function stayAwake(want) {
  wanted = want;
  if (!canStayAwake()) return;
  try {
    if (want && !lock && document.visibilityState === "visible") {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
      if (!wanted) await lock?.release();
    } else if (!want && lock) {
      await lock.release();
    }
  } catch {
    lock = null;
  }
}

document.addEventListener("visibilitychange", () => stayAwake(wanted));
