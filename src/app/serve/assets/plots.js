"use strict";
// The plots: drawn by uPlot from points that the server has thinned out to what the screen shows.
// Lines differ by colour and dash, and each has its name at its end.
window.settledPlots = (() => {
    const root = document.documentElement;
    const units = root.dataset.units;
    const zero = root.dataset.zero === undefined ? null : Number(root.dataset.zero);

    // Okabe & Ito's set for any colour vision (Color Universal Design, 2008), without those that
    // stand out too little from the theme's ground (less than 3:1, WCAG 2.2, 1.4.11).
    const LIGHT = ["#0072B2", "#D55E00", "#007F5F", "#000000", "#B2568B"];
    const DARK = ["#56B4E9", "#E69F00", "#2EC4A0", "#FFFFFF", "#E29AC4"];
    const DASHES = [[], [9, 4], [2, 3], [12, 4, 2, 4]];

    const isDark = () => {
        const theme = root.dataset.theme;
        return theme === "dark"
            || (theme !== "light" && matchMedia("(prefers-color-scheme: dark)").matches);
    };
    const style = (name) => getComputedStyle(root).getPropertyValue(name).trim();

    // A line keeps its look in every plot of the page.
    const looks = new Map();
    const look = (key) => {
        if (!looks.has(key)) {
            looks.set(key, looks.size);
        }
        const number = looks.get(key);
        const colours = isDark() ? DARK : LIGHT;
        return {
            colour: colours[number % colours.length],
            dash: DASHES[Math.floor(number / colours.length) % DASHES.length],
        };
    };

    const two = (number) => String(number).padStart(2, "0");
    const clock = (seconds, withSeconds) => {
        const at = Math.round(zero === null ? seconds : seconds % 86400);
        const hours = Math.floor(at / 3600);
        const minutes = Math.floor(at / 60) % 60;
        if (zero === null && hours === 0) {
            return `${minutes}:${two(at % 60)}`;
        }
        return withSeconds ? `${hours}:${two(minutes)}:${two(at % 60)}` : `${hours}:${two(minutes)}`;
    };

    // Names at the ends of the lines, moved apart where they would cover one another.
    const names = {
        hooks: {
            draw: (plot) => {
                const { ctx } = plot;
                const ratio = devicePixelRatio;
                const height = 14 * ratio;
                const labels = [];
                plot.series.forEach((series, index) => {
                    if (index === 0 || !series.show) {
                        return;
                    }
                    const values = plot.data[index];
                    let last = values.length - 1;
                    const max = plot.scales.x.max;
                    while (last >= 0 && (values[last] === null || plot.data[0][last] > max)) {
                        last -= 1;
                    }
                    if (last < 0 || plot.data[0][last] < plot.scales.x.min) {
                        return;
                    }
                    const y = plot.valToPos(values[last], "y", true);
                    labels.push({ y, at: y, series });
                });
                labels.sort((one, other) => one.y - other.y);
                const { top, left, width, height: tall } = plot.bbox;
                const bottom = top + tall - height / 2;
                let free = top + height / 2;
                for (const label of labels) {
                    label.at = Math.max(label.y, free);
                    free = label.at + height;
                }
                let floor = bottom;
                for (const label of labels.slice().reverse()) {
                    label.at = Math.min(label.at, floor);
                    floor = label.at - height;
                }
                ctx.save();
                ctx.font = `${12 * ratio}px ${style("--font")}`;
                ctx.textBaseline = "middle";
                for (const { at, y, series } of labels) {
                    ctx.strokeStyle = series._stroke;
                    ctx.fillStyle = style("--ink");
                    ctx.lineWidth = 2 * ratio;
                    ctx.setLineDash((series.dash ?? []).map((length) => length * ratio));
                    ctx.beginPath();
                    const x = left + width + 3 * ratio;
                    ctx.moveTo(x - 2 * ratio, y);
                    ctx.lineTo(x + 6 * ratio, at);
                    ctx.lineTo(x + 22 * ratio, at);
                    ctx.stroke();
                    ctx.fillText(series.label, x + 26 * ratio, at);
                }
                ctx.restore();
            },
        },
    };

    // Room for the names, by the longest of them.
    const room = (lines) => {
        const ctx = document.createElement("canvas").getContext("2d");
        ctx.font = `12px ${style("--font")}`;
        return 36 + Math.max(...lines.map((line) => Math.ceil(ctx.measureText(line.name).width)));
    };

    const axis = (extra) => ({
        stroke: style("--ink"),
        grid: { stroke: style("--grid"), width: 1 },
        ticks: { stroke: style("--grid"), width: 1 },
        font: `12px ${style("--font")}`,
        ...extra,
    });

    const options = (panel, width, height, x) => ({
        width,
        height,
        padding: [8, room(panel.lines), 0, 0],
        tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), "Etc/UTC"),
        cursor: { sync: { key: "settled", setSeries: false }, drag: { x: true, y: false }, ...x.cursor },
        legend: { live: true },
        scales: { x: { time: false, range: x.range } },
        series: [
            { label: "Time", value: (_, seconds) => seconds === null ? "" : clock(seconds, true) },
            ...panel.lines.map((line) => {
                const { colour, dash } = look(line.key);
                return {
                    label: line.name,
                    stroke: colour,
                    width: 2,
                    dash,
                    points: { show: false },
                    value: (_, value) => value === null ? "–" : `${value.toFixed(1)} ${panel.unit}`,
                };
            }),
        ],
        axes: [
            axis({
                incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400],
                values: (_, splits) => splits.map((seconds) => clock(seconds, false)),
                space: 60,
            }),
            axis({ size: 48, values: (_, splits) => splits.map((value) => String(value)) }),
        ],
        plugins: [names],
        hooks: x.hooks ?? {},
    });

    const shifted = (times) => zero === null ? times : times.map((time) => time + zero);
    const fetchPoints = async (from, to, points) => {
        const range = [from === null ? "" : `&from=${from}`, to === null ? "" : `&to=${to}`].join("");
        const answer = await fetch(`/api/plot?units=${units}&points=${points}${range}`);
        if (!answer.ok) {
            throw new Error(`the server answered ${answer.status}`);
        }
        return answer.json();
    };

    return { options, fetchPoints, shifted, clock, look, style, isDark, zero };
})();

// The live page's plots: the last hour, brought up to date every two seconds.
(() => {
    const panels = document.getElementById("panels");
    if (panels === null || panels.dataset.kind === "night") {
        return;
    }
    const { options, fetchPoints, shifted } = window.settledPlots;
    const SHOWN_S = 3600;
    const EVERY_MS = 2000;
    let plots = [];
    let shape = "";

    const build = (answer) => {
        plots.forEach(({ plot }) => plot.destroy());
        panels.replaceChildren();
        plots = answer.panels.map((panel) => {
            const figure = document.createElement("figure");
            const caption = document.createElement("figcaption");
            caption.textContent = `${panel.title}, ${panel.unit}`;
            figure.append(caption);
            panels.append(figure);
            const width = panels.clientWidth;
            const height = Math.max(220, Math.min(360, 60 + 22 * panel.lines.length));
            const plot = new uPlot(options(panel, width, height, {}), data(answer, panel), figure);
            return { plot };
        });
    };
    const data = (answer, panel) =>
        [shifted(answer.times), ...panel.lines.map((line) => line.values)];

    const update = async () => {
        if (document.hidden || typeof uPlot === "undefined") {
            return;
        }
        try {
            const points = Math.max(200, Math.round(panels.clientWidth * devicePixelRatio));
            const probe = await fetchPoints(1e10, null, 2);
            const from = Math.max(0, probe.end - SHOWN_S);
            const answer = await fetchPoints(from, null, points);
            const fresh = JSON.stringify(answer.panels.map((p) => p.lines.map((l) => l.key)));
            if (fresh !== shape) {
                shape = fresh;
                build(answer);
                return;
            }
            answer.panels.forEach((panel, index) => plots[index].plot.setData(data(answer, panel)));
        } catch {
            // The page itself says when the program is silent.
        }
    };
    const again = () => { shape = ""; update(); };
    window.addEventListener("themed", again);
    let width = 0;
    new ResizeObserver(() => {
        if (panels.clientWidth !== width) {
            width = panels.clientWidth;
            plots.forEach(({ plot }) => plot.setSize({ width, height: plot.height }));
        }
    }).observe(panels);
    update();
    setInterval(update, EVERY_MS);
})();
