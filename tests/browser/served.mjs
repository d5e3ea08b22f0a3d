// Sessions for the browser, and the program that serves them; all of it invented.

import { spawn, spawnSync } from "node:child_process";
import { appendFileSync, mkdtempSync, readFileSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

export const EVIL = "<script>document.title='run'</script>";
/// When the probe on the suction line falls silent (s), and how long until it counts as lost.
export const SILENT_FROM_S = 700;
export const SILENCE_S = 30;
const SUCTION = "F2:00:00:00:00:05";

const temp = mkdtempSync(join(tmpdir(), "settled-browser-"));
const children = [];

/// Ends all that was started, and takes what it left away.
export function end() {
    children.forEach((child) => child.kill("SIGKILL"));
    rmSync(temp, { recursive: true, force: true });
}

/// The folder of a recorded visit of so many hours.
export function record(program, name, hours) {
    const out = join(temp, name);
    const done = spawnSync(program, ["demo", "--hours", String(hours), "--speed", "0", "--out", out]);
    if (done.status !== 0) {
        throw new Error(`demo: ${done.stderr}`);
    }
    return join(out, readdirSync(out)[0]);
}

/// Makes a record hostile: names that would be markup, a note that would be, a probe that falls
/// silent, and one that never speaks.
export function spoil(folder) {
    const manifest = join(folder, "session.toml");
    const text = readFileSync(manifest, "utf8").replace(/^site = .*$/m, `site = "${EVIL}bakery"`);
    writeFileSync(manifest, text);
    appendFileSync(manifest, `\n[[job.probe]]\nname = "${EVIL}"\nposition = "mixed-air"\n`);
    const received = join(folder, "received.csv");
    const note = Buffer.from(`filter was ${EVIL} grey`).toString("hex").toUpperCase();
    let noted = false;
    const rows = [];
    for (const row of readFileSync(received, "utf8").split("\n")) {
        const [ms, label, probe] = row.split(",");
        if (!noted && Number(ms) > 60000) {
            noted = true;
            rows.push(`${ms},${label},,note,note,${note},`);
        }
        if (!(probe === SUCTION && Number(ms) > SILENT_FROM_S * 1000)) {
            rows.push(row);
        }
    }
    writeFileSync(received, rows.join("\n"));
}

/// The address at which the program serves, once it says so.
export function serve(program, args) {
    const child = spawn(program, [...args, "--json"], { cwd: temp, stdio: ["ignore", "pipe", "inherit"] });
    children.push(child);
    return new Promise((resolve, reject) => {
        let text = "";
        child.on("exit", (code) => reject(new Error(`${args[0]} ended with ${code}: ${text}`)));
        child.stdout.on("data", (part) => {
            // What comes later is read and dropped, so that the program never waits for us.
            if (text.length > 100000) {
                return;
            }
            text += part;
            const line = text.split("\n").find((one) => one.startsWith('{"kind":"page"'));
            if (line !== undefined) {
                resolve(new URL(JSON.parse(line).address));
            }
        });
    });
}
