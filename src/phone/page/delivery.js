// Brings an answer to the program: once, or visibly not.
//
// An answer keeps the number of its question and a nonce of its own until the program has said
// what became of it, over lost connections and over a reload of the page. The program takes the
// same nonce for the same answer, so that sending it again is safe.

const KEPT = "throwproof-pending";
const PATIENCE = 8000;
const SLOW = 700;
const LONGEST_PAUSE = 4000;

const nonce = () =>
  Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");

function recall() {
  try {
    return JSON.parse(sessionStorage.getItem(KEPT));
  } catch {
    return null;
  }
}

export class Delivery {
  // `told(pending, outcome)` hears what became of an answer; `slow(pending)` that it takes long.
  constructor(told, slow) {
    this.told = told;
    this.slow = slow;
    this.pending = recall();
    this.wake = () => {};
    if (this.pending) this.run();
  }

  keep() {
    try {
      if (this.pending) sessionStorage.setItem(KEPT, JSON.stringify(this.pending));
      else sessionStorage.removeItem(KEPT);
    } catch {
      // A reload would lose it, which the next question shows.
    }
  }

  // `name` and `about` are for people.
  send(session, number, reply, name, about) {
    if (this.pending) return;
    this.pending = { session, number, reply, name, about, nonce: nonce() };
    this.keep();
    this.run();
  }

  // The connection may be back: try now.
  retry() {
    this.wake();
  }

  async run() {
    const { session, number, reply, nonce } = this.pending;
    const body = JSON.stringify({ session, number, nonce, reply });
    const slow = setTimeout(() => this.slow(this.pending), SLOW);
    let outcome = null;
    for (let pause = 500; !outcome; pause = Math.min(pause * 2, LONGEST_PAUSE)) {
      outcome = await this.attempt(body);
      if (outcome) break;
      await new Promise((resolve) => {
        this.wake = resolve;
        setTimeout(resolve, pause);
      });
    }
    clearTimeout(slow);
    const pending = this.pending;
    this.pending = null;
    this.keep();
    this.told(pending, outcome);
  }

  // What became of it, or null when nobody said.
  async attempt(body) {
    try {
      const answer = await fetch("/answer", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body,
        signal: AbortSignal.timeout(PATIENCE),
      });
      switch (answer.status) {
        case 200:
        case 409:
          return await answer.json();
        case 400:
        case 413:
        case 422:
          return { status: "does-not-fit" };
        case 401:
          return { status: "shut" };
        default:
          this.slow(this.pending);
          return null;
      }
    } catch {
      this.slow(this.pending);
      return null;
    }
  }
}
