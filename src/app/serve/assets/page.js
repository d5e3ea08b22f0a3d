"use strict";
// Keeps the page in step with the session. Texts are set as text, never as markup; when more than
// texts has changed, the server's own drawing of the page is fetched and its parts put in place.
(() => {
    const root = document.documentElement;
    const units = root.dataset.units;

    // Theme: the system's, light (for the sun) or dark.
    const themes = ["system", "light", "dark"];
    const button = document.getElementById("theme");
    const themeNow = () => root.dataset.theme ?? "system";
    const words = ["Theme", ""].map((text) => {
        const span = document.createElement("span");
        span.textContent = text;
        return span;
    });
    button.replaceChildren(...words);
    const showTheme = () => {
        words[1].textContent = `:\u00a0${themeNow()}`;
        button.setAttribute("aria-label", `Theme: ${themeNow()}`);
    };
    button.hidden = false;
    showTheme();
    button.addEventListener("click", () => {
        const next = themes[(themes.indexOf(themeNow()) + 1) % themes.length];
        if (next === "system") {
            delete root.dataset.theme;
        } else {
            root.dataset.theme = next;
        }
        try {
            localStorage.setItem("settled-theme", next);
        } catch {
            // It holds until the page is left.
        }
        showTheme();
        window.dispatchEvent(new Event("themed"));
    });
    matchMedia("(prefers-color-scheme: dark)")
        .addEventListener("change", () => window.dispatchEvent(new Event("themed")));

    const now = document.getElementById("now");
    if (now === null) {
        return;
    }

    // The connection, and how long it has been silent: a page that stands still must say so.
    const link = document.getElementById("link");
    const SILENCE_MAX_MS = 12000;
    let heardAt = performance.now();
    setInterval(() => {
        const silent = performance.now() - heardAt;
        const lost = silent > SILENCE_MAX_MS;
        if (lost) {
            const seconds = Math.round(silent / 10000) * 10;
            const say = `No word from the program for ${seconds} s: what stands here is old.`;
            if (link.textContent !== say) {
                link.textContent = say;
            }
        }
        link.hidden = !lost;
        document.body.classList.toggle("old", lost);
    }, 1000);

    // What is worth saying aloud is said when it changes, and not more often than this.
    const gist = document.getElementById("gist");
    const SAY_EVERY_MS = 10000;
    let saidAt = -SAY_EVERY_MS;
    let toSay = null;
    const say = () => {
        if (toSay !== null && performance.now() - saidAt >= SAY_EVERY_MS) {
            gist.textContent = toSay;
            saidAt = performance.now();
            toSay = null;
        }
    };
    setInterval(say, 1000);

    // The elements that follow the session, by their keys.
    let places = new Map();
    const find = () => {
        places = new Map();
        for (const element of document.querySelectorAll("[data-live]")) {
            places.set(element.dataset.live, element);
        }
    };
    find();

    const put = (texts) => {
        for (const [key, text] of Object.entries(texts)) {
            const element = places.get(key);
            if (element === undefined) {
                continue;
            }
            if (element instanceof HTMLProgressElement) {
                element.value = Number(text);
            } else if (element.textContent !== text) {
                element.textContent = text;
            }
        }
    };

    // Puts the server's drawing of the changing parts in place of what stands here.
    let fetching = false;
    const redraw = async () => {
        if (fetching) {
            return;
        }
        fetching = true;
        try {
            const answer = await fetch(`/?units=${units}`);
            if (!answer.ok) {
                return;
            }
            const drawn = new DOMParser().parseFromString(await answer.text(), "text/html");
            for (const id of ["now", "happened-part"]) {
                const fresh = drawn.getElementById(id);
                const old = document.getElementById(id);
                if (fresh !== null && old !== null) {
                    old.replaceChildren(...fresh.childNodes);
                }
            }
            now.dataset.structure = drawn.getElementById("now").dataset.structure;
            const source = drawn.querySelector(".source");
            document.querySelector(".source").textContent = source.textContent;
            find();
        } catch {
            // The next change tries again.
        } finally {
            fetching = false;
        }
    };

    let spoken = null;
    const events = new EventSource(`/events?units=${units}`);
    events.addEventListener("message", (message) => {
        heardAt = performance.now();
        const change = JSON.parse(message.data);
        if (change.structure !== now.dataset.structure) {
            redraw();
        }
        put(change.texts);
        if (change.gist !== spoken) {
            spoken = change.gist;
            toSay = change.gist;
            say();
        }
    });
    // A sign of life that carries nothing keeps the page from being called old.
    events.addEventListener("alive", () => { heardAt = performance.now(); });
    window.addEventListener("pagehide", () => events.close());
})();
