// The upload page: dropping files, and saying which are chosen. The page works without it.
(() => {
  "use strict";
  const form = document.querySelector("[data-drop]");
  if (!form) return;
  const input = form.querySelector("input[type=file]");
  const list = form.querySelector("[data-drop-list]");
  const largest = Number(form.dataset.largest), most = Number(form.dataset.most);
  form.querySelector("[data-drop-here]").hidden = false;

  const show = () => {
    let tooLarge = "";
    list.replaceChildren(...[...input.files].map((file) => {
      const line = document.createElement("li");
      line.textContent = `${file.name} (${Math.max(1, Math.round(file.size / 1024)).toLocaleString()} kB)`;
      if (file.size > largest) tooLarge = `${file.name} is larger than ${Math.round(largest / 1048576)} MB. Export a year at a time, or zip it.`;
      return line;
    }));
    if (input.files.length > most) tooLarge = `These are ${input.files.length} files. Pack more than ${most} into one zip and send that.`;
    input.setCustomValidity(tooLarge);
    if (tooLarge) input.reportValidity();
  };
  input.addEventListener("change", show);

  const bringsFiles = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
  document.addEventListener("dragover", (event) => { if (bringsFiles(event)) event.preventDefault(); });
  document.addEventListener("drop", (event) => {
    if (!bringsFiles(event)) return;
    event.preventDefault();
    const all = new DataTransfer();
    for (const file of [...input.files, ...event.dataTransfer.files]) all.items.add(file);
    input.files = all.files;
    show();
    input.focus();
  });
})();
