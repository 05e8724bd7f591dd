// A plane's direction by a compass and its tilt by pictures of pitches: they fill the number beside them.

for (const pickers of document.querySelectorAll("[data-pickers]")) {
  if (!(pickers instanceof HTMLElement)) continue;
  const plane = pickers.closest("fieldset");
  if (!plane) continue;
  pickers.hidden = false;
  for (const field of plane.querySelectorAll("input[name$=azimuth], input[name$=tilt]")) {
    if (!(field instanceof HTMLInputElement)) continue;
    const fills = field.name.endsWith("azimuth") ? "azimuth" : "tilt";
    const choices = [...pickers.querySelectorAll(`button[data-fills=${fills}]`)].filter((one) => one instanceof HTMLButtonElement);
    const show = () => {
      for (const one of choices) one.setAttribute("aria-pressed", String(field.value !== "" && Number(field.value) === Number(one.value)));
      if (fills === "azimuth") pickers.querySelector("[data-needle]")?.setAttribute("transform", `rotate(${Number(field.value) || 0})`);
    };
    for (const one of choices) {
      one.addEventListener("click", () => {
        field.value = one.value;
        show();
      });
    }
    field.addEventListener("input", show);
    show();
  }
}
