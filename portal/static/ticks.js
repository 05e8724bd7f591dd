// One tick for all the rows of a list that can be ticked.

for (const line of document.querySelectorAll("[data-tick-all]")) {
  const all = line.querySelector("input");
  const rows = [...document.querySelectorAll("input[form=together][type=checkbox]")].flatMap(
    (row) => (row instanceof HTMLInputElement ? [row] : []));
  if (!all || !(line instanceof HTMLElement) || rows.length < 2) continue;
  const show = () => {
    const ticked = rows.filter((row) => row.checked).length;
    all.checked = ticked === rows.length;
    all.indeterminate = ticked > 0 && ticked < rows.length;
  };
  all.addEventListener("change", () => {
    for (const row of rows) row.checked = all.checked;
    document.querySelector(".long")?.classList.add("whole"); // nobody ticks what they do not see
  });
  for (const row of rows) row.addEventListener("change", show);
  line.hidden = false;
  show();
}
