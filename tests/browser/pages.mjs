// The live page and the night in Chromium: sizes, themes, a lost probe, the token, hostile names,
// the keyboard, accessibility.

import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import { EVIL, SILENCE_S, SILENT_FROM_S, end, record, serve, spoil } from "./served.mjs";

const cache = process.env.CACHE;
const require = createRequire(join(cache, "package.json"));
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const program = resolve(process.argv[2]);
const shots = join(cache, "shots");
mkdirSync(shots, { recursive: true });

const SIZES = [[360, 740], [768, 1024], [1440, 900]];
const THEMES = ["light", "dark"];

const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM,
    args: [
        "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
    ],
});

/// A page that notes all that is amiss.
async function open(url, [width, height] = [1440, 900], colorScheme = "light", context = {}) {
    const page = await browser.newPage({ viewport: { width, height }, colorScheme, ...context });
    page.amiss = [];
    page.on("console", (message) => {
        if (["error", "warning"].includes(message.type())) {
            page.amiss.push(`console: ${message.text()}`);
        }
    });
    page.on("pageerror", (error) => page.amiss.push(`error: ${error.message}`));
    page.on("dialog", (dialog) => {
        page.amiss.push(`dialog: ${dialog.message()}`);
        dialog.dismiss();
    });
    page.on("request", (request) => {
        if (new URL(request.url()).host !== url.host) {
            page.amiss.push(`request elsewhere: ${request.url()}`);
        }
    });
    await page.goto(url.href);
    return page;
}

/// Waits until `ready` says so, and says what it said.
async function until(what, ready, limitMs = 20000) {
    const from = Date.now();
    for (;;) {
        const said = await ready();
        if (said) {
            return said;
        }
        assert.ok(Date.now() - from < limitMs, `waited in vain: ${what}`);
        await new Promise((done) => setTimeout(done, 50));
    }
}

/// What stands out of the window, to the right.
const overflow = (page) => page.evaluate(() => {
    const scrolls = (element) => element.closest(".wide") !== null;
    const out = [...document.querySelectorAll("main *, header *, footer *")].filter((element) => {
        const box = element.getBoundingClientRect();
        return box.width > 0 && box.right > innerWidth + 1 && !scrolls(element)
            && getComputedStyle(element).clipPath === "none"
            && element.closest("thead") === null;
    });
    return [
        document.documentElement.scrollWidth - innerWidth,
        out.map((element) => `${element.tagName}.${element.className}`).slice(0, 5).join(" "),
    ];
});

/// What axe finds that is serious.
async function serious(page) {
    await page.evaluate(axe);
    const found = await page.evaluate(() => window.axe.run(document, {
        runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }));
    return found.violations
        .filter((one) => ["serious", "critical"].includes(one.impact))
        .map((one) => `${one.id}: ${one.nodes.slice(0, 3).map((node) => node.html).join(" | ")}`);
}

const checks = [];
const check = (name, run) => checks.push({ name, run });

const lively = record(program, "lively", 0.7);
spoil(lively);
const live = await serve(program, ["replay", lively, "--speed", "40", "--serve=127.0.0.1:0"]);
const night = await serve(
    program, ["replay", record(program, "night", 8.2), "--serve=127.0.0.1:0"]);
const outward = await serve(program, ["demo", "--hours", "1", "--speed", "20", "--serve=0.0.0.0:0"]);
outward.hostname = "127.0.0.1";
// On this machine's own address reading needs no token.
live.search = "";
night.search = "";
const nightPage = new URL("/night", night);
await until("the night is heard", async () =>
    (await (await fetch(new URL("/night", night))).text()).includes("heard to its end"), 60000);

check("values change, without a reload", async () => {
    const page = await open(live);
    const texts = () => page.locator("[data-live]").allTextContents();
    const before = await texts();
    await until("a value changes", async () => {
        const now = await texts();
        return now.filter((text, n) => text !== before[n]).length > 4;
    });
    assert.deepEqual(page.amiss, []);
    await page.close();
});

check("a lost probe shows, within its time", async () => {
    const page = await open(live);
    const row = page.locator("tr.missing", { hasText: "Suction line" }).first();
    // The page's clock runs 40 times as fast: a second here is 40 s there.
    await until("the row is marked", () => row.count(), 60000);
    const elapsed = await page.locator('[data-live="at"]').textContent();
    const [, hours, minutes, seconds] = elapsed.match(/(?:(\d+) h )?(?:(\d+) min|(\d+) s) into/);
    const since = 3600 * Number(hours ?? 0) + 60 * Number(minutes ?? 0) + Number(seconds ?? 0);
    assert.match(await row.textContent(), /silent/);
    assert.match(await page.locator(".lost").textContent(), /Suction line: silent/);
    const late = since - SILENT_FROM_S - SILENCE_S;
    // What is shown is whole minutes.
    assert.ok(late > -65 && late < 120, `marked ${late} s after its time`);
    assert.deepEqual(page.amiss, []);
    await page.close();
});

check("a probe that never spoke stands where it should be", async () => {
    const page = await open(live);
    const row = page.locator("tr.missing", { hasText: "Mixed air" });
    assert.match(await row.textContent(), /not heard yet/);
    await page.close();
});

check("names that would be markup are text", async () => {
    for (const url of [live, new URL("/night", live)]) {
        const page = await open(url);
        assert.match(await page.textContent("header"), /<script>/);
        assert.match(await page.textContent("main"), /filter was <script>/);
        assert.equal(await page.locator("main script, header script").count(), 0);
        assert.notEqual(await page.title(), "run");
        assert.ok((await page.title()).includes(EVIL));
        assert.deepEqual(page.amiss, []);
        await page.close();
    }
});

for (const [name, url] of [["live", live], ["night", nightPage]]) {
    for (const size of SIZES) {
        for (const theme of THEMES) {
            check(`${name} at ${size.join("×")}, ${theme}: fits, quiet, nothing serious`, async () => {
                const page = await open(url, size, theme);
                await until("the plots are drawn", () => page.locator("#panels canvas").count());
                await page.waitForTimeout(300);
                const file = `${name}-${size.join("x")}-${theme}`;
                await page.screenshot({ path: join(shots, `${file}.png`) });
                await page.screenshot({ path: join(shots, `${file}-whole.png`), fullPage: true });
                assert.deepEqual(await overflow(page), [0, ""]);
                assert.deepEqual(await serious(page), []);
                assert.deepEqual(page.amiss, []);
                await page.close();
            });
        }
    }
}

check("°C is a link away", async () => {
    const page = await open(live);
    assert.match(await page.textContent("main"), /°F/);
    await page.getByRole("link", { name: "°C and kPa" }).click();
    await page.waitForLoadState();
    assert.match(await page.textContent(".readings"), /°C/);
    assert.doesNotMatch(await page.textContent(".readings"), /°F/);
    await page.close();
});

check("the theme can be chosen, and stays", async () => {
    const page = await open(live);
    const ground = () => page.evaluate(() => getComputedStyle(document.documentElement).backgroundColor);
    const light = await ground();
    await page.locator("#theme").click();
    await page.locator("#theme").click();
    assert.notEqual(await ground(), light);
    await page.reload();
    assert.notEqual(await ground(), light);
    await page.close();
});

check("the keyboard reaches all, and shows where it is", async () => {
    const page = await open(nightPage);
    await until("the tools are there", () => page.locator(".tools:not([hidden])").count());
    const walked = [];
    for (let n = 0; n < 16; n += 1) {
        await page.keyboard.press("Tab");
        const at = await page.evaluate(() => {
            const element = document.activeElement;
            const shown = getComputedStyle(element);
            return [element.textContent.trim().slice(0, 30), shown.outlineStyle !== "none"];
        });
        assert.ok(at[1], `no sign of the focus at ${at[0]}`);
        walked.push(at[0]);
    }
    for (const name of ["Skip to the content", "Replay", "°C", "Closer", "All"]) {
        assert.ok(walked.includes(name) || walked.some((one) => one.startsWith(name)), `${name}: ${walked}`);
    }
    // Closer by keyboard: the axis begins later.
    const asked = page.waitForRequest((request) => /api\/plot.*from=[1-9]/.test(request.url()));
    await page.getByRole("button", { name: "Closer" }).focus();
    for (let n = 0; n < 4; n += 1) {
        await page.keyboard.press("Enter");
    }
    await asked;
    await page.locator("a[data-run]").first().focus();
    await page.keyboard.press("Enter");
    await until("the run is shown", () => page.locator("#run h3").count());
    assert.deepEqual(page.amiss, []);
    await page.close();
});

check("a run on the strip is a click away", async () => {
    const page = await open(nightPage);
    const strip = page.locator("#strip canvas");
    await until("the strip is drawn", () => strip.count());
    const box = await strip.boundingBox();
    // Somewhere in the first tenth a run is under way.
    for (let n = 4; n < 20 && await page.locator("#run h3").count() === 0; n += 1) {
        await strip.click({ position: { x: 46 + (box.width - 46) * n / 100, y: 40 } });
        await page.waitForTimeout(100);
    }
    assert.match(await page.locator("#run h3").first().textContent(), /^Run \d+, from/);
    assert.match(await page.locator("#run").textContent(), /Settled at/);
    assert.deepEqual(page.amiss, []);
    await page.close();
});

check("an eight-hour night moves smoothly", async () => {
    const page = await open(nightPage);
    await until("the plots are drawn", () => page.locator("#panels canvas").count());
    await page.waitForTimeout(500);
    const frames = await page.evaluate(() => new Promise((done) => {
        const over = document.querySelector("#panels .u-over");
        const box = over.getBoundingClientRect();
        const times = [];
        let last = performance.now();
        const step = (now) => {
            times.push(now - last);
            last = now;
            if (times.length > 90) {
                done(times.slice(1));
                return;
            }
            over.dispatchEvent(new WheelEvent("wheel", {
                deltaY: times.length < 45 ? -40 : 40, clientX: box.left + box.width / 3,
                bubbles: true, cancelable: true,
            }));
            requestAnimationFrame(step);
        };
        requestAnimationFrame(step);
    }));
    frames.sort((a, b) => a - b);
    const [median, late] = [frames[45], frames[Math.floor(frames.length * 0.95)]];
    console.log(`measured: zooming 12 channels over 8 hours, a frame in ${median.toFixed(0)} ms (95 % in ${late.toFixed(0)} ms)`);
    assert.deepEqual(page.amiss, []);
    await page.close();
});

check("the first paint is soon", async () => {
    const page = await open(live);
    const first = await until("a paint", () => page.evaluate(() =>
        performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? 0));
    console.log(`measured: first contentful paint after ${first.toFixed(0)} ms`);
    await page.close();
});

check("without the token there is only a door", async () => {
    const bare = new URL("/", outward);
    const page = await open(bare);
    assert.match(await page.textContent("h1"), /needs its token/);
    await page.fill("input", "0123456789abcdef0123456789abcdef");
    await page.keyboard.press("Enter");
    await page.waitForSelector("h1:text-is('That is not the token.')");
    await page.fill("input", outward.searchParams.get("token"));
    await page.keyboard.press("Enter");
    await until("the page", () => page.locator("#now").count());
    assert.equal(page.url(), bare.href);
    const cookies = await page.context().cookies();
    assert.equal(cookies.length, 1);
    assert.ok(cookies[0].httpOnly && cookies[0].sameSite === "Strict", JSON.stringify(cookies));
    await page.reload();
    assert.equal(await page.locator("#now").count(), 1);
    await page.close();
});

check("a page that hears nothing says so", async () => {
    const page = await open(live);
    await until("it is drawn", () => page.locator("#panels canvas").count());
    await page.context().setOffline(true);
    await page.evaluate(() => { window.stop(); });
    await until("it says so", () => page.locator("#link:not([hidden])").count(), 30000);
    assert.match(await page.textContent("#link"), /what stands here is old/);
    await page.close();
});

let [passed, failed] = [0, 0];
for (const { name, run } of checks) {
    try {
        await run();
        passed += 1;
        console.log(`browser: ${name} ... ok`);
    } catch (error) {
        failed += 1;
        console.log(`browser: ${name} ... FAILED: ${error.message}`);
    }
}
await browser.close();
end();
console.log(`test result: ${failed === 0 ? "ok" : "FAILED"}. ${passed} passed; ${failed} failed`);
process.exitCode = failed === 0 ? 0 : 1;
