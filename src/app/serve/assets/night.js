"use strict";
// The night's plots: pan and zoom over the whole visit. What is on the screen moves at once; finer
// points for it are fetched when it has come to rest.
(() => {
    const place = document.getElementById("panels");
    if (place === null || place.dataset.kind !== "night") {
        return;
    }
    const { fetchPoints, build, renew, shape, points, clock, style, zero, units } =
        window.settledPlots;
    const REST_MS = 150;
    const NARROWEST_S = 30;
    const AROUND_RUN_S = 90;
    const offset = zero ?? 0;
    let night = null;
    let plots = [];
    let strip = null;
    let shown = "";
    let view = null;
    let drawn = false;
    let rest = 0;
    let asked = 0;

    const whole = () => [offset, offset + Math.max(night.end_s, 60)];
    const clamp = ([from, to]) => {
        const [least, most] = whole();
        const length = Math.min(Math.max(to - from, NARROWEST_S), most - least);
        const begin = Math.min(Math.max(from, least), most - length);
        return [begin, begin + length];
    };

    const draw = () => {
        drawn = false;
        for (const { plot } of plots) {
            plot.setScale("x", { min: view[0], max: view[1] });
        }
        strip.draw();
    };
    const setView = (next) => {
        view = clamp(next);
        if (!drawn) {
            drawn = true;
            requestAnimationFrame(draw);
        }
        clearTimeout(rest);
        rest = setTimeout(load, REST_MS);
    };
    const zoom = (factor, around) => setView(
        [around - (around - view[0]) * factor, around + (view[1] - around) * factor]);
    const pan = (share) => {
        const by = (view[1] - view[0]) * share;
        setView([view[0] + by, view[1] + by]);
    };

    // The points of what is shown, with as much again on either side to move into.
    const load = async () => {
        const number = asked += 1;
        const length = view[1] - view[0];
        const answer = await fetchPoints({
            from: Math.max(0, view[0] - length - offset),
            to: view[1] + length - offset,
            points: Math.min(8000, 3 * points(place)),
        });
        if (number !== asked) {
            return;
        }
        const fresh = shape(answer);
        if (fresh === shown) {
            renew(plots, answer, false);
            draw();
            return;
        }
        shown = fresh;
        plots.forEach(({ plot }) => plot.destroy());
        plots = build(place, answer, {
            cursor: { drag: { x: false, y: false } },
            x: { auto: false, min: view[0], max: view[1] },
            plugins: [shade],
        });
        plots.forEach(({ plot }) => follow(plot.over, () => plot.over.getBoundingClientRect()));
        draw();
    };

    // Runs as a shade behind the lines, and marks as lines across.
    const shade = {
        hooks: {
            drawClear: (plot) => {
                const { ctx } = plot;
                const { left, top, width, height } = plot.bbox;
                ctx.save();
                ctx.fillStyle = style("--shade");
                for (const [from, to] of night.running) {
                    const [x, end] = [from, to].map((at) => plot.valToPos(at + offset, "x", true));
                    const begin = Math.max(left, x);
                    const stop = Math.min(left + width, end);
                    if (stop > begin) {
                        ctx.fillRect(begin, top, stop - begin, height);
                    }
                }
                ctx.restore();
            },
        },
    };

    const RUNS = new Set(["starting", "settling", "settled", "hunting", "defrost"]);
    const states = (answer) => answer.states.map(([from, state], n) =>
        ({ from, to: answer.states[n + 1]?.[0] ?? answer.end_s, state }));
    const running = (all) => {
        const joined = [];
        for (const { from, to, state } of all) {
            if (!RUNS.has(state)) {
                continue;
            }
            const last = joined.at(-1);
            if (last !== undefined && last[1] >= from) {
                last[1] = to;
            } else {
                joined.push([from, to]);
            }
        }
        return joined;
    };

    // The strip: what the unit did, and above it what happened.
    const QUIET = new Set(["r_statistic_disagrees", "run_never_settled", "clock_trusted", "ended"]);
    const SIGNS = {
        probe_lost: "−", probe_back: "+", icing: "*", icing_suspected: "*", short_run: "<",
        short_pause: "<", clock_step: "±", note: "n", changed: "c", restart: "↻",
        not_recording: "!", recording_resumed: "+",
    };
    const makeStrip = (holder) => {
        const canvas = document.createElement("canvas");
        canvas.setAttribute("role", "img");
        holder.append(canvas);
        const HEIGHT = 84;
        const [TOP, BOTTOM] = [26, 62];
        // The strip stands over the plots: its time is theirs.
        const area = () => {
            const box = plots[0]?.plot.bbox;
            const ratio = devicePixelRatio;
            return box === undefined
                ? { left: 46, right: holder.clientWidth }
                : { left: box.left / ratio, right: (box.left + box.width) / ratio };
        };
        const hatch = (ctx, ratio) => {
            const tile = document.createElement("canvas");
            tile.width = tile.height = 8 * ratio;
            const pen = tile.getContext("2d");
            pen.strokeStyle = style("--bar");
            pen.lineWidth = 1.5 * ratio;
            pen.beginPath();
            for (const shift of [-8, 0, 8]) {
                pen.moveTo(shift * ratio, 8 * ratio);
                pen.lineTo((shift + 8) * ratio, 0);
            }
            pen.stroke();
            return ctx.createPattern(tile, "repeat");
        };
        const at = (seconds, { left, right }) =>
            left + (right - left) * (seconds + offset - view[0]) / (view[1] - view[0]);
        const paint = () => {
            const ratio = devicePixelRatio;
            const width = holder.clientWidth;
            if (canvas.width !== Math.round(width * ratio) || canvas.height !== HEIGHT * ratio) {
                canvas.width = Math.round(width * ratio);
                canvas.height = HEIGHT * ratio;
                canvas.style.width = `${width}px`;
                canvas.style.height = `${HEIGHT}px`;
            }
            const ctx = canvas.getContext("2d");
            ctx.setTransform(1, 0, 0, 1, 0, 0);
            const pattern = hatch(ctx, ratio);
            ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
            ctx.clearRect(0, 0, width, HEIGHT);
            const shown = area();
            const { left, right } = shown;
            ctx.save();
            ctx.beginPath();
            ctx.rect(left, 0, right - left, HEIGHT);
            ctx.clip();
            ctx.fillStyle = style("--shade");
            for (const [from, to] of night.nights) {
                ctx.fillRect(at(from, shown), BOTTOM, at(to, shown) - at(from, shown), 4);
            }
            for (const { from, to, state } of night.all) {
                const x = at(from, shown);
                const end = at(to, shown);
                if (end < left || x > right || !RUNS.has(state)) {
                    continue;
                }
                ctx.fillStyle = state === "settled" ? style("--bar") : pattern;
                ctx.fillRect(x, TOP, Math.max(end - x, 1), BOTTOM - TOP);
            }
            ctx.strokeStyle = style("--ink");
            ctx.lineWidth = 1;
            for (const [from, to] of night.running) {
                const x = at(from, shown);
                ctx.strokeRect(x, TOP, Math.max(at(to, shown) - x, 1), BOTTOM - TOP);
            }
            ctx.font = `13px ${style("--font")}`;
            ctx.textAlign = "center";
            ctx.fillStyle = style("--ink");
            let free = -Infinity;
            for (const mark of night.marked) {
                const x = at(mark.elapsed_s, shown);
                if (x < left || x > right) {
                    continue;
                }
                ctx.fillRect(x - 0.5, 18, 1, BOTTOM - 12);
                if (x > free) {
                    ctx.fillText(SIGNS[mark.event] ?? "•", x, 14);
                    free = x + 12;
                }
            }
            ctx.restore();
            ctx.fillStyle = style("--ink");
            ctx.textAlign = "left";
            ctx.font = `12px ${style("--font")}`;
            const [from, to] = view;
            const steps = [60, 300, 900, 1800, 3600, 7200, 14400, 28800, 86400];
            const fit = Math.max(2, Math.floor((right - left) / 72));
            const step = steps.find((one) => (to - from) / one <= fit) ?? 86400;
            ctx.textAlign = "center";
            for (let tick = Math.ceil(from / step) * step; tick <= to; tick += step) {
                const x = left + (right - left) * (tick - from) / (to - from);
                if (x > left + 14 && x < right - 14) {
                    ctx.fillText(clock(tick, false), x, 79);
                }
            }
        };
        const box = () => {
            const { left, right } = area();
            return { left: canvas.getBoundingClientRect().left + left, width: right - left };
        };
        canvas.addEventListener("click", (event) => {
            if (!moved) {
                choose(timeAt(event.clientX, box()));
            }
        });
        follow(canvas, box);
        canvas.setAttribute("aria-label",
            `Strip of ${night.running.length} runs; the table of runs below says the same`);
        return { draw: paint };
    };
    const timeAt = (clientX, box) => view[0] + (clientX - box.left) / box.width * (view[1] - view[0]);

    // Pointers: one drags, two pinch; the wheel comes closer where the pointer is.
    let moved = false;
    const follow = (element, area) => {
        const pointers = new Map();
        element.style.touchAction = "pan-y";
        element.addEventListener("pointerdown", (event) => {
            pointers.set(event.pointerId, event.clientX);
            moved = false;
        });
        element.addEventListener("pointermove", (event) => {
            const before = pointers.get(event.pointerId);
            if (before === undefined) {
                return;
            }
            const box = area();
            const length = view[1] - view[0];
            if (pointers.size === 1) {
                const by = event.clientX - before;
                if (Math.abs(by) < 3 && !moved) {
                    return;
                }
                if (!moved) {
                    moved = true;
                    element.setPointerCapture(event.pointerId);
                }
                const seconds = by / box.width * length;
                setView([view[0] - seconds, view[1] - seconds]);
            } else {
                const [one, other] = [...pointers.entries()].find(([id]) => id !== event.pointerId);
                const apart = Math.max(10, Math.abs(before - other));
                const nowApart = Math.max(10, Math.abs(event.clientX - other));
                moved = true;
                zoom(apart / nowApart, timeAt((event.clientX + other) / 2, box));
                pointers.set(one, other);
            }
            pointers.set(event.pointerId, event.clientX);
        });
        for (const kind of ["pointerup", "pointercancel"]) {
            element.addEventListener(kind, (event) => pointers.delete(event.pointerId));
        }
        element.addEventListener("wheel", (event) => {
            event.preventDefault();
            if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
                pan(event.deltaX / 1000);
            } else {
                zoom(2 ** (event.deltaY / 400), timeAt(event.clientX, area()));
            }
        }, { passive: false });
        element.addEventListener("dblclick", () => setView(whole()));
    };

    // A run that is chosen is drawn by the server, and the plots come to it.
    const show = async (number) => {
        const answer = await fetch(`/night?units=${units}&run=${number}`);
        if (!answer.ok) {
            return;
        }
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const holder = document.getElementById("run");
        holder.replaceChildren(...page.getElementById("run").childNodes);
        history.replaceState(null, "", `/night?units=${units}&run=${number}#run`);
        comeTo(holder);
        holder.scrollIntoView({ block: "nearest" });
        holder.querySelector("h3")?.focus({ preventScroll: true });
    };
    const comeTo = (holder) => {
        const section = holder.querySelector("[data-from]");
        if (section !== null && section.dataset.to !== undefined) {
            setView([
                Number(section.dataset.from) - AROUND_RUN_S + offset,
                Number(section.dataset.to) + AROUND_RUN_S + offset,
            ]);
        }
    };
    const choose = (time) => {
        const at = time - offset;
        const run = night.runs.find((one) =>
            (one.start_s ?? 0) <= at && at <= (one.stop_s ?? Infinity));
        if (run !== undefined) {
            show(run.cycle);
        }
    };
    document.addEventListener("click", (event) => {
        const link = event.target.closest?.("a[data-run]");
        if (link !== null && link !== undefined && !event.ctrlKey && !event.metaKey) {
            event.preventDefault();
            show(link.dataset.run);
        }
    });

    const views = {
        earlier: () => pan(-0.5),
        later: () => pan(0.5),
        closer: () => zoom(0.5, (view[0] + view[1]) / 2),
        farther: () => zoom(2, (view[0] + view[1]) / 2),
        whole: () => setView(whole()),
    };
    const tools = document.querySelector(".tools");
    tools.addEventListener("click", (event) => views[event.target.dataset.view]?.());

    const begin = async () => {
        const answer = await (await fetch(`/api/night?units=${units}`)).json();
        night = answer;
        night.all = states(answer);
        night.running = running(night.all);
        night.marked = answer.marks.filter((mark) => !QUIET.has(mark.event));
        view = whole();
        const holder = document.getElementById("strip");
        strip = makeStrip(holder);
        tools.hidden = false;
        strip.draw();
        await load();
        comeTo(document.getElementById("run"));
        window.addEventListener("themed", () => { shown = ""; load(); });
        let width = place.clientWidth;
        new ResizeObserver(() => {
            if (place.clientWidth !== width) {
                width = place.clientWidth;
                plots.forEach(({ plot }) => plot.setSize({ width, height: plot.height }));
                draw();
            }
        }).observe(place);
    };
    begin();
})();
