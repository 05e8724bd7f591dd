// The upload page: dropping files, and saying which are chosen. The page works without it.
(() => {
  "use strict";
  /** @type {HTMLElement | null} */
  const form = document.querySelector("[data-drop]");
  const input = form?.querySelector("input[type=file]");
  const list = form?.querySelector("[data-drop-list]");
  if (!form || !list || !(input instanceof HTMLInputElement)) return;
  const largest = Number(form.dataset.largest), most = Number(form.dataset.most);
  form.querySelector("[data-drop-here]")?.removeAttribute("hidden");

  const show = () => {
    let tooLarge = "";
    const files = [...(input.files ?? [])];
    list.replaceChildren(...files.map((file) => {
      const line = document.createElement("li");
      line.textContent = `${file.name} (${Math.max(1, Math.round(file.size / 1024)).toLocaleString()} kB)`;
      if (file.size > largest) tooLarge = `${file.name}: ${form.dataset.tooLarge}`;
      return line;
    }));
    if (files.length > most) tooLarge = form.dataset.tooMany ?? "";
    input.setCustomValidity(tooLarge);
    if (tooLarge) input.reportValidity();
  };
  input.addEventListener("change", show);

  /** @param {DragEvent} event */
  const bringsFiles = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
  document.addEventListener("dragover", (event) => { if (bringsFiles(event)) event.preventDefault(); });
  document.addEventListener("drop", (event) => {
    if (!bringsFiles(event)) return;
    event.preventDefault();
    const all = new DataTransfer();
    for (const file of [...(input.files ?? []), ...(event.dataTransfer?.files ?? [])]) all.items.add(file);
    input.files = all.files;
    show();
    input.focus();
  });
})();
