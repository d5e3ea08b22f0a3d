"use strict";
// The plots: drawn by uPlot from points that the server has thinned out to what the screen shows.
// Lines differ by colour and dash, and each has its name and value at its end.
window.settledPlots = (() => {
    const root = document.documentElement;
    const units = root.dataset.units;
    const zero = root.dataset.zero === undefined ? null : Number(root.dataset.zero);

    // Okabe & Ito's set for any colour vision (Color Universal Design, 2008), each shade moved just
    // so far that it stands out from the theme's ground (3:1 at the least, WCAG 2.2, 1.4.11).
    const LIGHT = ["#0072B2", "#D55E00", "#00805D", "#000000", "#B3568C"];
    const DARK = ["#56B4E9", "#E69F00", "#2EC4A0", "#FFFFFF", "#E29AC4"];
    const DASHES = [[], [9, 4], [12, 4, 2, 4]];
    const DOTS = [2, 3];

    const isDark = () => {
        const theme = root.dataset.theme;
        return theme === "dark"
            || (theme !== "light" && matchMedia("(prefers-color-scheme: dark)").matches);
    };
    const style = (name) => getComputedStyle(root).getPropertyValue(name).trim();

    // A place has one look in all plots; a wet bulb has its air's colour, dotted.
    const places = new Map();
    const look = (key) => {
        const place = key.split(".")[0].replace("_wet_bulb", "").replaceAll("_", "-");
        if (!places.has(place)) {
            places.set(place, places.size);
        }
        const number = places.get(place);
        const colours = isDark() ? DARK : LIGHT;
        return {
            colour: colours[number % colours.length],
            dash: key.endsWith("_wet_bulb")
                ? DOTS : DASHES[Math.floor(number / colours.length) % DASHES.length],
        };
    };

    const two = (number) => String(number).padStart(2, "0");
    const clock = (seconds, withSeconds) => {
        const whole = Math.round(seconds);
        const at = zero === null ? whole : ((whole % 86400) + 86400) % 86400;
        const hours = Math.floor(at / 3600);
        const minutes = Math.floor(at / 60) % 60;
        if (zero === null && hours === 0) {
            return `${minutes}:${two(at % 60)}`;
        }
        return withSeconds ? `${hours}:${two(minutes)}:${two(at % 60)}` : `${hours}:${two(minutes)}`;
    };

    const isNarrow = () => innerWidth <= 560;
    const called = (line) => isNarrow() ? line.short : line.name;

    // Names at the ends of the lines, moved apart where they would cover one another; with the
    // value under the pointer, or else the last one. Where there is little room a letter stands at
    // the line, and its name below the plot.
    const LABEL_PX = 15;
    // A line that ends so many points before the newest has no value now.
    const OLD_POINTS = 12;
    const letter = (number) => String.fromCharCode(97 + number % 26);
    const sample = (series) => {
        const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
        const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
        for (const [key, value] of Object.entries({ width: 26, height: 10, viewBox: "0 0 26 10" })) {
            svg.setAttribute(key, value);
        }
        const look = { x1: 0, x2: 26, y1: 5, y2: 5, stroke: series.stroke(), "stroke-width": 2 };
        for (const [key, value] of Object.entries(look)) {
            line.setAttribute(key, value);
        }
        line.setAttribute("stroke-dasharray", (series.dash ?? []).join(" "));
        svg.append(line);
        return svg;
    };
    const labels = (panel, narrow) => {
        const texts = [];
        const lastShown = (plot, index) => {
            const [times, values] = [plot.data[0], plot.data[index]];
            const { min, max } = plot.scales.x;
            for (let n = values.length - 1; n >= 0; n -= 1) {
                if (values[n] !== null && times[n] <= max) {
                    return times[n] >= min ? n : null;
                }
            }
            return null;
        };
        const newest = (plot) => {
            const times = plot.data[0];
            let last = times.length - 1;
            while (last > 0 && times[last] > plot.scales.x.max) {
                last -= 1;
            }
            return last;
        };
        const write = (plot) => {
            texts.forEach((text, number) => {
                // What was heard last long ago is not what it is now.
                const index = plot.cursor.idx ?? (text.old ? null : text.last);
                const value = index === null ? null : plot.data[number + 1][index];
                const shown = value === null || value === undefined ? "–" : value.toFixed(1);
                const label = `${called(panel.lines[number])} ${shown}`;
                if (text.words.textContent !== label) {
                    text.words.textContent = label;
                }
            });
        };
        const init = (plot) => {
            const box = document.createElement("div");
            box.className = "names";
            box.setAttribute("aria-hidden", "true");
            plot.over.parentElement.append(box);
            const below = document.createElement("div");
            below.className = "below";
            below.setAttribute("aria-hidden", "true");
            if (narrow) {
                plot.root.append(below);
            }
            panel.lines.forEach((line, number) => {
                const name = document.createElement("span");
                box.append(name);
                let words = name;
                if (narrow) {
                    name.textContent = letter(number);
                    const item = document.createElement("span");
                    const key = document.createElement("b");
                    key.textContent = letter(number);
                    words = document.createElement("span");
                    item.append(key, sample(plot.series[number + 1]), words);
                    below.append(item);
                }
                texts.push({ name, words, last: null });
            });
        };
        const draw = (plot) => {
            const { top, left, width, height } = plot.bbox;
            const ratio = devicePixelRatio;
            const placed = [];
            texts.forEach((text, number) => {
                text.last = lastShown(plot, number + 1);
                text.old = text.last !== null && text.last < newest(plot) - OLD_POINTS;
                text.name.hidden = text.last === null;
                if (text.last !== null) {
                    const y = plot.valToPos(plot.data[number + 1][text.last], "y", true) / ratio;
                    placed.push({ y, at: y, text, series: plot.series[number + 1] });
                }
            });
            placed.sort((one, other) => one.y - other.y);
            let free = top / ratio;
            for (const one of placed) {
                one.at = Math.max(one.y, free);
                free = one.at + LABEL_PX;
            }
            let floor = (top + height) / ratio + 4;
            for (const one of placed.slice().reverse()) {
                one.at = Math.min(one.at, floor);
                floor = one.at - LABEL_PX;
            }
            const { ctx } = plot;
            const x = left + width;
            const stub = narrow ? 10 : 24;
            ctx.save();
            for (const { y, at, text, series } of placed) {
                ctx.strokeStyle = series.stroke();
                ctx.lineWidth = 2 * ratio;
                ctx.setLineDash((series.dash ?? []).map((length) => length * ratio));
                ctx.beginPath();
                ctx.moveTo(x + (text.old ? 7 : 1) * ratio, (text.old ? at : y) * ratio);
                ctx.lineTo(x + 7 * ratio, at * ratio);
                ctx.lineTo(x + stub * ratio, at * ratio);
                ctx.stroke();
                text.name.style.transform =
                    `translate(${x / ratio + stub + 4}px, ${at - LABEL_PX / 2}px)`;
            }
            ctx.restore();
            write(plot);
        };
        return { hooks: { init, draw, setCursor: write } };
    };

    // Room for the names, by the longest of them.
    const room = (lines, narrow) => {
        if (narrow) {
            return 28;
        }
        const ctx = document.createElement("canvas").getContext("2d");
        ctx.font = `13px ${style("--font")}`;
        const widths = lines.map((line) => ctx.measureText(`${called(line)} 000.0`).width);
        return 32 + Math.ceil(Math.max(...widths));
    };

    const axis = (extra) => ({
        stroke: style("--ink"),
        grid: { stroke: style("--grid"), width: 1 },
        ticks: { stroke: style("--grid"), width: 1 },
        font: `12px ${style("--font")}`,
        ...extra,
    });
    const STEPS = [
        1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400,
    ];
    const timeAxis = () => axis({
        incrs: STEPS,
        values: (_, splits) => splits.map((seconds) => clock(seconds, false)),
        space: 64,
        size: 34,
    });

    const options = (panel, width, narrow, extra) => ({
        width,
        height: Math.max(200, 70 + (LABEL_PX + 4) * panel.lines.length),
        padding: [8, extra.margin, 0, 0],
        cursor: { sync: { key: "settled", setSeries: false }, points: { show: false }, ...extra.cursor },
        legend: { show: false },
        scales: { x: { time: false, ...extra.x } },
        series: [
            {},
            ...panel.lines.map((line) => {
                const { colour, dash } = look(line.key);
                return { label: line.name, stroke: colour, width: 2, dash, points: { show: false } };
            }),
        ],
        axes: [timeAxis(), axis({ size: 46, values: (_, splits) => splits.map(String) })],
        plugins: [labels(panel, narrow), ...(extra.plugins ?? [])],
        hooks: extra.hooks ?? {},
    });

    const shifted = (times) => zero === null ? times : times.map((time) => time + zero);
    const data = (answer, panel) =>
        [shifted(answer.times), ...panel.lines.map((line) => line.values)];
    const fetchPoints = async (query) => {
        const answer = await fetch(`/api/plot?units=${units}&${new URLSearchParams(query)}`);
        if (!answer.ok) {
            throw new Error(`the server answered ${answer.status}`);
        }
        return answer.json();
    };

    // What a plot shows, for those who do not see it.
    const describe = (figure, answer, panel) => {
        const [first, last] = [answer.times.at(0), answer.times.at(-1)]
            .map((time) => clock(time + (zero ?? 0), false));
        const ends = panel.lines.map((line) => {
            const known = line.values.filter((value) => value !== null);
            return known.length === 0 ? "" : `${line.name} ${known.at(0)} to ${known.at(-1)}`;
        });
        const text = `${panel.title} in ${panel.unit}, ${first} to ${last}: ${ends.join("; ")}`;
        figure.firstElementChild.setAttribute("aria-label", text);
    };

    // The figures of an answer's panels, in `place`.
    const build = (place, answer, extra) => {
        place.replaceChildren();
        const narrow = isNarrow();
        const margin = Math.max(...answer.panels.map((panel) => room(panel.lines, narrow)));
        return answer.panels.map((panel) => {
            const figure = document.createElement("figure");
            const picture = document.createElement("div");
            picture.setAttribute("role", "img");
            const caption = document.createElement("figcaption");
            caption.textContent = `${panel.title}, ${panel.unit}`;
            figure.append(picture, caption);
            place.append(figure);
            const plot = new uPlot(
                options(panel, place.clientWidth, narrow, { ...extra, margin }),
                data(answer, panel), picture);
            describe(figure, answer, panel);
            return { plot, figure };
        });
    };
    const shape = (answer) => JSON.stringify(
        [isNarrow(), isDark(), answer.panels.map((panel) => panel.lines.map((line) => line.key))]);
    const renew = (plots, answer, resetScales) => answer.panels.forEach((panel, index) => {
        plots[index].plot.setData(data(answer, panel), resetScales);
        describe(plots[index].figure, answer, panel);
    });
    const points = (place) =>
        Math.max(200, Math.round(place.clientWidth * Math.min(devicePixelRatio, 2)));

    return { fetchPoints, build, renew, shape, points, clock, style, zero, units, isDark };
})();

// The live page's plots: since the last start, brought up to date every two seconds.
(() => {
    const place = document.getElementById("panels");
    if (place === null || place.dataset.kind !== "run") {
        return;
    }
    const { fetchPoints, build, renew, shape, points } = window.settledPlots;
    const EVERY_MS = 2000;
    let plots = [];
    let shown = "";

    const update = async () => {
        if (document.hidden) {
            return;
        }
        try {
            const answer = await fetchPoints({ since: "start", points: points(place) });
            const fresh = shape(answer);
            if (fresh === shown) {
                renew(plots, answer, true);
                return;
            }
            shown = fresh;
            plots.forEach(({ plot }) => plot.destroy());
            plots = build(place, answer, { cursor: { drag: { x: false, y: false } } });
        } catch {
            // The page itself says when the program is silent.
        }
    };
    const again = () => { shown = ""; update(); };
    window.addEventListener("themed", again);
    let width = place.clientWidth;
    new ResizeObserver(() => {
        if (place.clientWidth !== width) {
            width = place.clientWidth;
            plots.forEach(({ plot }) => plot.setSize({ width, height: plot.height }));
        }
    }).observe(place);
    update();
    setInterval(update, EVERY_MS);
})();
