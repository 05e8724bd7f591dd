// The week: a visit is dragged to another day or crew. The form beside it does the same without a mouse.

for (const stop of document.querySelectorAll("[data-visit]")) {
  const form = stop.querySelector("form");
  if (!(stop instanceof HTMLElement) || !form) continue;
  stop.draggable = true;
  stop.addEventListener("dragstart", (event) => {
    event.dataTransfer?.setData("text/plain", String(stop.dataset.visit));
  });
}

for (const cell of document.querySelectorAll("[data-day]")) {
  if (!(cell instanceof HTMLElement)) continue;
  cell.addEventListener("dragover", (event) => {
    event.preventDefault();
    cell.classList.add("over");
  });
  cell.addEventListener("dragleave", () => cell.classList.remove("over"));
  cell.addEventListener("drop", (event) => {
    event.preventDefault();
    cell.classList.remove("over");
    const number = event.dataTransfer?.getData("text/plain") ?? "";
    if (!/^\d+$/.test(number)) return;
    const form = document.querySelector(`[data-visit="${number}"] form`);
    if (!(form instanceof HTMLFormElement)) return;
    const day = form.elements.namedItem("day");
    if (day instanceof HTMLInputElement) day.value = String(cell.dataset.day);
    const crew = String(cell.dataset.crew).split("-");
    for (const box of form.querySelectorAll("input[type=checkbox]")) {
      if (box instanceof HTMLInputElement) box.checked = crew.includes(box.value);
    }
    form.requestSubmit();
  });
}
