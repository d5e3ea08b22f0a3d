// Opens reports with the network off, walks widths, prints them, and measures the printed words.
// Usage: node paper.mjs FOLDER   (CHROMIUM, CACHE in the environment)
import { execFileSync } from "node:child_process";
import { readFileSync, readdirSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const { CACHE, CHROMIUM } = process.env;
const require = createRequire(join(CACHE, "x.js"));
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const folder = resolve(process.argv[2]);
let failed = 0;
let passed = 0;
const check = (what, ok, detail = "") => {
    if (ok) passed += 1;
    else {
        failed += 1;
        console.log(`FAILED: ${what} ${detail}`);
    }
};

// The margins that the style asks for (mm), less what rounding may take.
const MARGIN_MM = { left: 16, right: 16, top: 15 };
const SLACK_MM = 0.6;
const MM_PER_PT = 25.4 / 72;

/** Every word of a PDF: page, size of the page, and its box (pt). */
function words(pdf) {
    const text = execFileSync("pdftotext", ["-bbox", pdf, "-"], { encoding: "utf8", maxBuffer: 1 << 28 });
    const found = [];
    let page = { number: 0, width: 0, height: 0 };
    for (const line of text.split("\n")) {
        const sheet = line.match(/<page width="([\d.]+)" height="([\d.]+)"/);
        if (sheet) page = { number: page.number + 1, width: +sheet[1], height: +sheet[2] };
        const word = line.match(/<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*)<\/word>/);
        if (word) found.push({ page, x0: +word[1], y0: +word[2], x1: +word[3], y1: +word[4], text: word[5] });
    }
    return found;
}

function paper(name, pdf) {
    const all = words(pdf);
    check(`${name}: there are words`, all.length > 50, String(all.length));
    const beyond = all.filter(({ page, x0, y0, x1, y1 }) =>
        x0 * MM_PER_PT < MARGIN_MM.left - SLACK_MM ||
        x1 * MM_PER_PT > page.width * MM_PER_PT - MARGIN_MM.right + SLACK_MM ||
        y0 * MM_PER_PT < MARGIN_MM.top - SLACK_MM || y1 > page.height);
    check(`${name}: no word beyond the margins`, beyond.length === 0,
        beyond.slice(0, 3).map((w) => `p${w.page.number} ${w.text}`).join(", "));
    const technician = all.findIndex((w, i) => w.text === "For" && all[i + 1]?.text === "the" && all[i + 2]?.text === "technician");
    if (technician >= 0) check(`${name}: the owner's part is one sheet`, all[technician].page.number === 2, String(all[technician].page.number));
    else check(`${name}: it is one sheet`, all.every((w) => w.page.number === 1));
    return Math.max(...all.map((w) => w.page.number));
}

const browser = await chromium.launch({ executablePath: CHROMIUM, args: ["--no-sandbox"] });
for (const file of readdirSync(folder).filter((name) => name.endsWith(".html"))) {
    const context = await browser.newContext({ offline: true });
    const page = await context.newPage();
    const asked = [];
    const said = [];
    page.on("request", (request) => asked.push(request.url()));
    page.on("console", (message) => said.push(message.text()));
    page.on("pageerror", (error) => said.push(String(error)));
    const url = pathToFileURL(join(folder, file)).href;
    await page.goto(url);
    for (const [width, height] of [[360, 740], [768, 1024], [1440, 900]]) {
        await page.setViewportSize({ width, height });
        const wide = await page.evaluate(() => document.documentElement.scrollWidth);
        check(`${file} at ${width}: no sideways scrolling`, wide <= width, String(wide));
    }
    check(`${file}: it asks for nothing but itself`, asked.every((one) => one === url), asked.join(" "));
    check(`${file}: nothing on the console`, said.length === 0, said.join(" "));
    const scripts = await page.evaluate(() => document.querySelectorAll("script").length);
    check(`${file}: no script`, scripts === 0, String(scripts));
    // The policy forbids scripts; the judge is let in by a context of its own.
    const judged = await browser.newContext({ bypassCSP: true, offline: true });
    const judge = await judged.newPage();
    await judge.goto(url);
    await judge.evaluate(axe);
    const { violations } = await judge.evaluate(() => globalThis.axe.run());
    const serious = violations.filter((v) => ["serious", "critical"].includes(v.impact));
    check(`${file}: axe-core finds nothing serious`, serious.length === 0,
        serious.map((v) => `${v.id}: ${v.nodes[0].html.slice(0, 80)}`).join("; "));
    await judged.close();
    // What is wider than the paper makes the browser shrink all of it.
    await page.emulateMedia({ media: "print" });
    for (const [paper, mm] of [["A4", 210 - 32], ["Letter", 215.9 - 32]]) {
        const width = Math.floor(mm * 96 / 25.4);
        await page.setViewportSize({ width, height: 900 });
        const wide = await page.evaluate(() => document.documentElement.scrollWidth);
        check(`${file}: nothing is wider than ${paper}`, wide <= width, `${wide} > ${width}`);
    }
    await page.emulateMedia({ media: null });
    for (const format of ["A4", "Letter"]) {
        const pdf = join(folder, file.replace(".html", `-${format}.pdf`));
        await page.pdf({ path: pdf, format, preferCSSPageSize: true, printBackground: false });
        const sheets = paper(`${file} on ${format}`, pdf);
        console.log(`${file} on ${format}: ${sheets} sheets`);
    }
    await page.setViewportSize({ width: 390, height: 844 });
    await page.screenshot({ path: join(folder, file.replace(".html", "-phone.png")) });
    await context.close();
}
await browser.close();
console.log(`test result: ${failed === 0 ? "ok" : "FAILED"}. ${passed} passed; ${failed} failed`);
process.exit(failed === 0 ? 0 : 1);
