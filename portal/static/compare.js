// A photo from before a wash over the one from after it, with a slider between them; without scripts they stand side by side.
(() => {
  "use strict";
  for (const pair of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-compare]"))) {
    const slider = document.createElement("input");
    slider.type = "range";
    slider.min = "0";
    slider.max = "100";
    slider.value = "50";
    slider.setAttribute("aria-label", pair.dataset.compare ?? "");
    const show = () => pair.style.setProperty("--before", `${slider.value}%`);
    slider.addEventListener("input", show);
    show();
    pair.append(slider);
    pair.classList.add("compare");
  }
})();
