"use strict";
// Before the first paint: the theme that was chosen here, if any; else the system's.
(() => {
    try {
        const chosen = localStorage.getItem("settled-theme");
        if (chosen === "light" || chosen === "dark") {
            document.documentElement.dataset.theme = chosen;
        }
    } catch {
        // Without storage the system's theme stands.
    }
})();
