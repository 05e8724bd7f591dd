// The upload page: dropping files, saying which are chosen, and showing their bytes go. The page works without it.
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

  /** @param {string} part */
  const found = (part) => form.querySelector(`[data-drop-${part}]`);
  const going = found("going"), broken = found("broken"), button = form.querySelector("button");
  const bar = going?.querySelector("progress"), bytes = going?.querySelector("p");
  if (!(form instanceof HTMLFormElement) || !going || !broken || !button || !bar || !bytes) return;

  /** @param {boolean} sends */
  const busy = (sends) => {
    going.toggleAttribute("hidden", !sends);
    button.disabled = sends;
    const said = document.getElementById("said"); // its bytes would be too much to hear
    if (said) said.textContent = sends ? bar.getAttribute("aria-label") : "";
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const line = new XMLHttpRequest();
    const fails = () => { busy(false); broken.removeAttribute("hidden"); };
    line.upload.onprogress = ({ loaded, total }) => {
      bar.value = total ? loaded / total : 0;
      const [sent, all] = [loaded, total].map((size) => Math.ceil(size / 1024).toLocaleString());
      bytes.textContent = `${sent} / ${all} kB`;
    };
    line.onerror = fails;
    line.onload = () => {
      const next = line.getResponseHeader("HX-Redirect");
      if (next) location.assign(next);
      else if (line.status >= 500 || line.status === 0) fails();
      else { // the page again, with what is wrong
        const page = new DOMParser().parseFromString(line.responseText, "text/html");
        document.body.replaceWith(page.body);
        document.querySelector("main")?.focus();
      }
    };
    line.open("POST", form.action);
    line.setRequestHeader("HX-Request", "true");
    line.send(new FormData(form));
    broken.setAttribute("hidden", "");
    busy(true);
  });
  addEventListener("pageshow", () => busy(false)); // back from the next page

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
