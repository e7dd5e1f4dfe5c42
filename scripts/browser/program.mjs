// The program under test: a sweep on the simulated track, with the phone page as witness.

import { spawn, spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";

const PROGRAM = resolve(`${process.env.CARGO_TARGET_DIR ?? "target"}/debug/throwproof`);

const DECODER = `
[decoder.D]
outputs = 8
first_address = 1
output_kind = "pulse"
pulse_ms = 150
`;

const turnout = (n, shape) => `
[[turnout]]
id = "Q${n}"
place = "Quay throat"
shape = "${shape}"
decoder = "D"
output = ${n}
`;

const signal = `
[[signal]]
id = "S1"
place = "Fish dock"
address = 60
kind = "extended"
aspects = { stop = 0, proceed = 1, caution = 2 }
`;

// A small layout: one of every kind of question.
export const SMALL = `[layout]\nname = "Kestrel Bay"\n${DECODER}${turnout(1, "left")}${turnout(2, "right")}${turnout(3, "double-slip")}${signal}`;
export const TWO = `[layout]\nname = "Kestrel Bay"\n${DECODER}${turnout(1, "left")}${turnout(2, "right")}`;
// Turnouts with several drives.
export const SEVERAL = `[layout]\nname = "Kestrel Bay"\n${DECODER}
[[turnout]]
id = "T1"
place = "Harbour yard"
shape = "three-way"
decoder = "D"
outputs = [1, 2]

[[turnout]]
id = "DS"
place = "Harbour yard"
shape = "double-slip"
decoder = "D"
outputs = [3, 4]

[[turnout]]
id = "SC"
place = "Harbour yard"
shape = "scissors"
decoder = "D"
outputs = [5, 6]
`;
export const ACCEPTED = `[layout]\nname = "Kestrel Bay"\naccept = ["blades-tight"]\n${DECODER}${turnout(1, "left")}`;
export const PLACE = `[layout]\nname = "Kestrel Bay"\n${DECODER}${["left", "right", "wye", "curved", "double-slip", "crossover", "left", "right"].map((shape, at) => turnout(at + 1, shape)).join("")}`;

// Decoders that are given their addresses: one in learn mode, one by switches, one that stays on.
export const TAUGHT = `[layout]\nname = "Kestrel Bay"
[decoder.D1]
place = "Quay throat"
outputs = 4
first_address = 9
output_kind = "pulse"
pulse_ms = 150
[decoder.D2]
place = "Slate quarry, behind the incline"
outputs = 4
first_address = 149
output_kind = "pulse"
pulse_ms = 150
learns = "switches"
learn = { switches = { count = 10 } }
[decoder.D3]
place = "Fish dock"
outputs = 16
first_address = 61
output_kind = "steady"
[[turnout]]
id = "Q3"
place = "Quay throat"
shape = "right"
decoder = "D1"
output = 3
`;

// What is hunted: M2 is planned at 24.
export const HUNTED = `[layout]\nname = "Kestrel Bay"
[decoder.D]
outputs = 4
first_address = 5
output_kind = "pulse"
pulse_ms = 150
[decoder.E]
outputs = 4
first_address = 21
output_kind = "pulse"
pulse_ms = 150
${["Q1", "Q2", "F1"].map((id, at) => `[[turnout]]\nid = "${id}"\nplace = "Quay throat"\nshape = "left"\ndecoder = "D"\noutput = ${at + 1}\n`).join("")}
[[turnout]]
id = "M2"
place = "Dairy siding"
shape = "right"
decoder = "E"
output = 4
`;

// Two decoders of one supply: what fails can be told from what does not.
export const FAILING = `[layout]\nname = "Kestrel Bay"
[supply.quay]
kind = "separate"
volts = 16.0
amps = 3.0
[decoder.D]
outputs = 4
first_address = 9
supply = "quay"
output_kind = "pulse"
pulse_ms = 150
[decoder.E]
outputs = 4
first_address = 21
supply = "quay"
output_kind = "pulse"
pulse_ms = 150
${[["A", "D", 2], ["B", "E", 3]].flatMap(([letter, decoder, many]) => Array.from({ length: many }, (_, at) => `[[turnout]]\nid = "${letter}${at + 1}"\nplace = "${letter === "A" ? "Quay throat" : "Dairy siding"}"\nshape = "${at % 2 ? "left" : "right"}"\ndecoder = "${decoder}"\noutput = ${at + 1}\n`)).join("")}
`;

// A hundred turnouts at ten places.
export const HUNDRED = () => {
  const decoders = Array.from({ length: 13 }, (_, n) =>
    `[decoder.D${n}]\noutputs = 8\nfirst_address = ${8 * n + 1}\noutput_kind = "pulse"\npulse_ms = 150\n`);
  const turnouts = Array.from({ length: 100 }, (_, n) =>
    `[[turnout]]\nid = "T${n + 1}"\nplace = "Road ${Math.floor(n / 10) + 1}"\nshape = "${n % 2 ? "left" : "right"}"\n` +
    `decoder = "D${Math.floor(n / 8)}"\noutput = ${(n % 8) + 1}\n`);
  return `[layout]\nname = "Kestrel Bay"\n${decoders.join("")}${turnouts.join("")}`;
};

const running = new Set();

// Ends what a scenario that failed has left running.
export function endAll() {
  for (const child of running) child.kill("SIGKILL");
}

// Runs the program to its end.
export function once(...words) {
  const folder = mkdtempSync(join(tmpdir(), "phone-page-"));
  const env = { ...process.env, XDG_STATE_HOME: join(folder, "state") };
  return { folder, ...spawnSync(PROGRAM, words, { encoding: "utf8", env }) };
}

// The simulated track as a layout of its own, in real time; gives the link to it.
export async function track(plan) {
  const file = join(mkdtempSync(join(tmpdir(), "phone-page-")), "plan.toml");
  writeFileSync(file, plan);
  const child = spawn(PROGRAM, ["track", file, "--serve", "lcc", "--tcp", "127.0.0.1:0", "--node-id", "0A.00.00.00.00.01"]);
  running.add(child);
  child.on("close", () => running.delete(child));
  const served = await new Promise((done, failed) => {
    let said = "";
    child.stdout.on("data", (some) => {
      said += some;
      const found = said.match(/127\.0\.0\.1:\d+/);
      if (found) done(found[0]);
    });
    child.on("close", () => failed(new Error(`the track ended: ${said}`)));
  });
  return { link: `lcc:tcp:${served}`, end: () => child.kill("SIGTERM") };
}

export class Program {
  // `keep` is another run's program whose plan and state this one goes on with; `command` comes
  // before and after the plan: `["hunt"]`, `["teach", "D1"]`; `asBuilt` is what is really there.
  static async start(plan, { keep = null, options = [], listen = "127.0.0.1:0", atTerminal = false, command = ["sweep"], asBuilt = null } = {}) {
    const program = new Program();
    program.folder = keep?.folder ?? mkdtempSync(join(tmpdir(), "phone-page-"));
    program.plan = plan.includes("\n") ? join(program.folder, "plan.toml") : resolve(plan);
    if (!keep && plan.includes("\n")) writeFileSync(program.plan, plan);
    if (asBuilt) options = [...options, "--as-built", program.builds(asBuilt)];
    const [name, ...rest] = command;
    const words = [name, program.plan, ...rest, "--witness", "phone", "--listen", listen, "--format", "json",
      "--record", join(program.folder, "record.db"), ...options];
    const env = { ...process.env, XDG_STATE_HOME: join(program.folder, "state"), THROWPROOF_CAUTIONS_READ: "1", TERM: "xterm" };
    let child;
    if (atTerminal) {
      // A pseudo-terminal for its questions; what it writes stays apart.
      program.file = join(program.folder, "out.json");
      const line = [PROGRAM, ...words].map((word) => `'${word}'`).join(" ");
      child = spawn("script", ["-qfec", `${line} >'${program.file}'`, "/dev/null"], { env, stdio: ["pipe", "pipe", "pipe"] });
      child.stdout.on("data", (some) => { program.said += some; });
    } else {
      child = spawn(PROGRAM, words, { env, stdio: ["ignore", "pipe", "pipe"] });
      child.stdout.on("data", (some) => { program.out += some; });
    }
    program.child = child;
    running.add(child);
    program.out = "";
    program.said = "";
    child.stderr.on("data", (some) => { program.said += some; });
    program.ended = new Promise((done) => child.on("close", (code) => {
      running.delete(child);
      done(code);
    }));
    program.link = await program.says(/http:\/\/\S+#\S+/);
    program.base = new URL(program.link).origin;
    return program;
  }

  // Writes down what is really there; gives the file.
  builds(text) {
    const file = join(this.folder, "as-built.toml");
    writeFileSync(file, text);
    return file;
  }

  async says(pattern) {
    for (let tries = 0; tries < 1500; tries += 1) {
      const found = this.said.match(pattern);
      if (found) return found[0];
      await new Promise((done) => setTimeout(done, 20));
    }
    throw new Error(`the program never said ${pattern}, but: ${this.said}`);
  }

  events() {
    const out = this.file ? readFileSync(this.file, "utf8") : this.out;
    return out.split("\n").filter(Boolean).map((line) => JSON.parse(line));
  }

  // Types at its terminal.
  type(keys) {
    this.said = "";
    this.child.stdin.write(keys);
  }

  async stop() {
    this.child.kill("SIGINT");
    return this.ended;
  }
}
