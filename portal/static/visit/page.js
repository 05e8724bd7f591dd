// The record of a visit without a signal. What is entered is written to the phone first (IndexedDB) and sent when
// the portal answers. Each entry and photo carries an identity made here, so that sending it twice keeps one.
"use strict";

(() => {
  const frame = document.querySelector("[data-visit-page], [data-visit-list]");
  if (!frame) return;
  const me = Number(frame.dataset.user);
  const visit = Number(frame.dataset.visitPage || 0);
  const CACHE = "visits";
  const TRY_EVERY_MS = 20000;
  const PAUSE_MS = 10 * 60 * 1000;
  const KEEP_SENT_MS = 7 * 24 * 3600 * 1000;

  // ---- the store on the phone

  const opened = new Promise((resolve, reject) => {
    const request = indexedDB.open("visit-record", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: "id" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

  async function store(mode, work) {
    const database = await opened;
    return new Promise((resolve, reject) => {
      // strict: on the disk before we say "kept", in case the battery dies
      const transaction = database.transaction("outbox", mode, { durability: "strict" });
      const request = work(transaction.objectStore("outbox"));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
  }

  const put = (row) => store("readwrite", (outbox) => outbox.put(row));
  const remove = (id) => store("readwrite", (outbox) => outbox.delete(id));
  const all = async () => (await store("readonly", (outbox) => outbox.getAll())).sort((a, b) => a.madeAt - b.madeAt);

  // ---- entering

  function newId() {
    if (crypto.randomUUID) return crypto.randomUUID(); // needs a secure context
    const b = crypto.getRandomValues(new Uint8Array(16));
    b[6] = (b[6] & 15) | 64;
    b[8] = (b[8] & 63) | 128;
    const hex = [...b].map((n) => n.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  }

  let sentUnkept = false;

  async function keep(form, fields, file) {
    fields.at = new Date().toISOString();
    const row = {
      id: newId(), user: me, visit, url: form.getAttribute("action"), fields, madeAt: Date.now(), state: "waiting",
      place: document.querySelector("h1").textContent, problem: "",
      // read here, since the camera's own file may go; kept as a Blob, which is read again only when it is needed
      file: file ? new Blob([await file.arrayBuffer()], { type: file.type }) : null, fileName: file ? file.name : "",
    };
    try {
      await put(row);
    } catch (error) {
      const answer = await hello().then((here) => here.user === me && post(row, here.token)).catch(() => null);
      if (!answer || !answer.ok) throw error;
      sentUnkept = true; // there was no room on the phone, but there was a signal
    }
    unkept = "";
  }

  // Show what has been entered, and send it.
  async function kept() {
    if (sentUnkept) location.reload(); // only the portal has it
    await paint();
    send();
  }

  function fieldsOf(form, pressed) {
    const fields = {};
    for (const [name, value] of new FormData(form, pressed)) {
      if (typeof value === "string" && name !== "csrfmiddlewaretoken" && name !== "client_id") fields[name] = value;
    }
    return fields;
  }

  function say(place, text) {
    if (!place) return;
    place.hidden = !text;
    place.textContent = text;
  }

  const line = document.querySelector("[data-waiting]");
  let unkept = "";

  async function couldNotKeep(error) {
    unkept = `This phone could not keep what you just entered (${error && error.name}). Free some space, and enter ` +
      "it again before you leave.";
    await paint().catch(() => say(line, unkept));
  }

  // What is typed and not yet kept outlives the tab too.
  const draftOf = (field) => `visit-draft ${me} ${visit} ${field.id}`;

  for (const field of document.querySelectorAll("form[data-entry] input[id]")) {
    field.value ||= localStorage.getItem(draftOf(field)) || "";
    field.addEventListener("input", () => {
      try {
        localStorage.setItem(draftOf(field), field.value);
      } catch {
        // no room: a draft is a courtesy, what is kept has its own place
      }
    });
    field.form.addEventListener("reset", () => localStorage.removeItem(draftOf(field)));
  }

  for (const form of document.querySelectorAll("form[data-entry]")) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const fields = fieldsOf(form, event.submitter);
      if ((fields.answer === "urgent" || fields.answer === "signed") && !fields.note.trim()) {
        const note = form.querySelector("[name=note]"); // said here, where there may be no signal to say it later
        form.querySelector("[data-state]").textContent =
          fields.answer === "urgent" ? "Say what you saw, then press Urgent." : "Enter the name first.";
        note.focus();
        return;
      }
      if (fields.kind === "finish" && photosMissing()) {
        form.querySelector("[data-state]").textContent =
          "Two photos before and two after are needed, or the reason why there are fewer.";
        return;
      }
      try {
        await keep(form, fields, null);
      } catch (error) {
        await couldNotKeep(error);
        return;
      }
      form.reset();
      await kept();
    });
  }

  // Asked here as by the portal: without a signal its answer would come when everybody has left.
  function photosMissing() {
    const reason = document.querySelector("form:has([value=few_photos]) [data-state]").textContent.trim();
    const count = (phase) => document.querySelectorAll(`form[data-photo]:has([name=phase][value=${phase}]) li`).length;
    return !reason && (count("before") < 2 || count("after") < 2);
  }

  for (const form of document.querySelectorAll("form[data-photo]")) {
    const input = form.querySelector("input[type=file]");
    input.multiple = true;
    form.addEventListener("submit", (event) => event.preventDefault());
    input.addEventListener("change", async () => {
      try {
        for (const file of input.files) await keep(form, fieldsOf(form), file);
      } catch (error) {
        await couldNotKeep(error);
      }
      input.value = "";
      await kept().catch(() => {});
    });
  }

  // ---- sending, one at a time and in order

  let sending = false;
  let again = false;
  let hindrance = "";
  let loggedOut = false;

  async function send() {
    if (sending) {
      again = true;
      return;
    }
    sending = true;
    try {
      do {
        again = false;
        await sendAll();
      } while (again);
    } finally {
      sending = false;
      await paint();
    }
  }

  async function hello() {
    const answer = await fetch("/visits/hello/", { headers: { Accept: "application/json" }, cache: "no-store" });
    if (!answer.ok) throw Object.assign(new Error("no hello"), { status: answer.status });
    return answer.json();
  }

  function post(row, token) {
    return fetch(row.url, {
      method: "POST", body: bodyOf(row), redirect: "error",
      headers: { Accept: "application/json", "X-CSRFToken": token },
    });
  }

  async function sendAll() {
    let rows = (await all()).filter((row) => row.state === "waiting");
    hindrance = "";
    loggedOut = false;
    if (!rows.length) return;
    let here;
    try {
      here = await hello();
    } catch (error) {
      loggedOut = error.status === 401;
      hindrance = loggedOut ? "You are logged out; nothing is lost." : "No signal; it goes out by itself when there is one.";
      return;
    }
    if (here.user !== me) hindrance = "Somebody else is logged in here. Log out, then log in as yourself to send it.";
    rows = rows.filter((row) => row.user === here.user);
    const stuck = new Set(); // visits with something that the portal stumbled over; their finish comes after it
    for (const row of rows) {
      if (row.notBefore > Date.now() || (row.fields.kind === "finish" && stuck.has(row.visit))) {
        stuck.add(row.visit);
        hindrance = "The portal has trouble with it; it is tried again by itself.";
        continue;
      }
      let answer;
      try {
        answer = await post(row, here.token);
      } catch {
        hindrance = "The signal went away; it goes out by itself when it is back.";
        return;
      }
      if (answer.ok) {
        Object.assign(row, { state: "sent", sentAt: Date.now(), answer: await answer.json().catch(() => ({})) });
        row.file = null; // the portal has it now
        await put(row);
        await paint();
      } else if ([400, 404, 413, 422].includes(answer.status)) {
        const said = await answer.json().catch(() => ({}));
        const problem = answer.status === 413 ? "The photo is too large to send." : said.problem;
        Object.assign(row, { state: "refused", problem: problem || "The portal did not take it." });
        await put(row);
        await paint();
      } else if (answer.status === 500) {
        row.notBefore = Date.now() + PAUSE_MS; // what comes after it need not wait
        await put(row);
        stuck.add(row.visit);
        hindrance = "The portal has trouble with it; it is tried again by itself.";
      } else {
        loggedOut = answer.status === 401 || answer.status === 403;
        hindrance = loggedOut ? "You are logged out; nothing is lost." : "The portal has trouble; it is tried again by itself.";
        return;
      }
    }
    if (visit && rows.length) await putAside([location.pathname]);
  }

  function bodyOf(row) {
    const body = new FormData();
    body.set("client_id", row.id);
    for (const [name, value] of Object.entries(row.fields)) body.set(name, value);
    body.set("sent_at", new Date().toISOString()); // so that the portal sees how wrong this phone's clock is
    if (row.file) body.set("photo", row.file, row.fileName || "photo");
    return body;
  }

  // ---- showing what waits

  const drawn = new Map(); // object URLs of photos that wait, by id

  async function paint() {
    const rows = await all();
    const have = new Set((frame.dataset.have || "").split(" "));
    for (const row of rows) {
      if (row.state === "sent" && (have.has(row.id) || Date.now() - row.sentAt > KEEP_SENT_MS)) await remove(row.id);
    }
    // On the lists, those of every visit: a visit given to somebody else has no page here any more.
    const refused = rows.filter((row) => row.state === "refused" && row.user === me && (!visit || row.visit === visit));
    paintLine(rows, refused.length);
    paintRefused(refused);
    if (!visit) return;
    const mine = rows.filter((row) => row.visit === visit && row.user === me && !have.has(row.id));
    for (const form of document.querySelectorAll("form[data-entry]")) {
      const own = mine.filter((row) => row.file === null && !row.fileName && sameItem(form, row) && row.state !== "refused");
      if (own.length) {
        form.querySelector("[data-state]").textContent = inWords(own[own.length - 1]);
        form.classList.add("entered");
      }
    }
    for (const form of document.querySelectorAll("form[data-photo]")) {
      paintPhotos(form, mine.filter((row) => row.fileName && sameItem(form, row) && row.state !== "refused"));
    }
  }

  function paintLine(rows, refused) {
    const waiting = rows.filter((row) => row.state === "waiting");
    const others = waiting.filter((row) => row.user !== me).length;
    const own = waiting.length - others;
    const parts = [];
    if (unkept) parts.push(unkept);
    if (refused) parts.push(`${refused} ${refused === 1 ? "was" : "were"} not taken: see the top of this page.`);
    if (own) parts.push(`${own} ${own === 1 ? "entry waits" : "entries wait"} on this phone. ${hindrance}`);
    if (others) parts.push(`${others} by another login ${others === 1 ? "waits" : "wait"} too; they are sent after that login.`);
    say(line, parts.join(" "));
    if (line && own && loggedOut) {
      const door = document.createElement("a");
      door.href = `/accounts/login/?next=${encodeURIComponent(location.pathname)}`;
      door.textContent = "Log in to send it";
      line.append(" ", door);
    }
  }

  let armed = ""; // the entry of which "Drop it" was pressed once

  function paintRefused(rows) {
    const box = document.querySelector("[data-refused]");
    if (!box) return;
    const list = box.querySelector("ul");
    box.hidden = !rows.length;
    const again = async (some) => {
      for (const row of some) await put(Object.assign(row, { state: "waiting" }));
      send();
    };
    list.replaceChildren(...rows.map((row) => {
      const item = document.createElement("li");
      const [what, why] = [document.createElement("b"), document.createElement("p")];
      what.textContent = [visit ? "" : row.place, nameOf(row)].filter(Boolean).join(": ");
      why.textContent = row.problem;
      item.append(what, why,
        button("Try again", () => again([row])),
        " ",
        button(armed === row.id ? "Drop it for good" : "Drop it", async () => {
          if (armed === row.id) await remove(row.id);
          else armed = row.id; // wet fingers press twice where they mean once
          paint();
        }));
      return item;
    }));
    if (rows.length > 1) {
      const item = document.createElement("li");
      item.append(button("Try all again", () => again(rows)));
      list.append(item);
    }
  }

  const NAMES = {
    tap: "Tap and hose", water: "Water quality", pre_rinse: "Pre-rinse", soak: "Soak", scrub: "Soft scrub", rinse: "Final rinse",
    glass: "Glass", frame: "Frame and clamps", cables: "Cables and connectors", roof: "Roof penetrations",
    nesting: "Nesting", debris: "Debris", shading: "Shading growth", few_photos: "Why fewer photos", sign_off: "Customer",
    finish: "Finish", answer: "Doorstep",
  };

  function nameOf(row) {
    const field = row.fields;
    if (row.fileName) return `Photo ${[NAMES[field.item] || field.phase, field.distance].filter(Boolean).join(", ")}`;
    return `${NAMES[field.item] || NAMES[field.kind] || ""} ${inWords(row)}`.trim();
  }

  function button(word, press) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "quiet";
    made.textContent = word;
    made.addEventListener("click", press);
    return made;
  }

  function sameItem(form, row) {
    return ["kind", "item", "phase", "distance"].every((name) => {
      const field = form.querySelector(`[name=${name}]`);
      return (field ? field.value : "") === (row.fields[name] || "");
    });
  }

  function inWords(row) {
    const field = row.fields;
    const words = { ok: "OK", seen: "Seen", urgent: "Urgent", signed: "Customer agreed", not_at_home: "Not at home" };
    const time = new Date(row.madeAt).toLocaleTimeString("en-GB", { // as the portal writes it
      hour: "2-digit", minute: "2-digit", timeZone: frame.dataset.tz || undefined,
    });
    return [
      words[field.answer] || "Done", field.water_ppm && `${field.water_ppm} ppm`,
      field.soak_minutes && `${field.soak_minutes} min`, field.note, time,
      { sent: "· sent", waiting: "· waits on this phone" }[row.state],
    ].filter(Boolean).join(" ");
  }

  function paintPhotos(form, rows) {
    const list = form.querySelector("[data-photos]");
    for (const row of rows) {
      let item = list.querySelector(`[data-id="${row.id}"]`);
      if (!item) {
        item = document.createElement("li");
        item.dataset.id = row.id;
        const picture = document.createElement("img");
        picture.alt = `Photo ${row.fileName}`;
        item.append(picture, document.createElement("span"));
        list.append(item);
      }
      const picture = item.querySelector("img");
      if (row.state === "sent") {
        const address = `/visits/photos/${row.answer.id}/small/`;
        if (!picture.src.endsWith(address)) picture.src = address;
        if (drawn.has(row.id)) URL.revokeObjectURL(drawn.get(row.id));
        drawn.delete(row.id);
      } else if (!drawn.has(row.id)) {
        drawn.set(row.id, URL.createObjectURL(row.file));
        picture.src = drawn.get(row.id);
      }
      item.querySelector("span").textContent = row.state === "sent" ? "sent" : "waits";
    }
    for (const item of list.querySelectorAll("[data-id]")) {
      if (!rows.some((row) => row.id === item.dataset.id)) item.remove();
    }
  }

  // ---- pages put aside for when there is no signal

  // A page goes with its own style and scripts: after an update of the portal its copy asks for other files.
  async function putAside(paths) {
    if (!("caches" in window)) return;
    const cache = await caches.open(CACHE);
    for (const path of paths) {
      try {
        const answer = await fetch(path, { headers: { Accept: "text/html" } });
        if (!answer.ok || answer.redirected) continue;
        const page = new DOMParser().parseFromString(await answer.clone().text(), "text/html");
        for (const part of page.querySelectorAll("link[rel=stylesheet], link[rel=icon], script[src]")) {
          const address = part.getAttribute("href") || part.getAttribute("src");
          if (!address.includes("plotly") && !(await cache.match(address))) await cache.add(address);
        }
        await cache.put(path, answer);
      } catch {
        continue; // no signal: the copy that is there stays, with its parts
      }
    }
  }

  async function tidyCopies() {
    if (!("caches" in window)) return;
    if (localStorage.getItem("visit-user") !== String(me)) {
      await caches.delete(CACHE); // another login's customers are none of ours
      localStorage.setItem("visit-user", String(me));
    }
    if (!navigator.onLine) return;
    if (visit) return putAside([`/visits/${visit}/`, `/visits/${visit}/record/`]);
    const listed = [...document.querySelectorAll("[data-visit]")].map((item) => item.dataset.visit);
    const cache = await caches.open(CACHE);
    for (const request of await cache.keys()) {
      const found = new URL(request.url).pathname.match(/^\/visits\/(\d+)\//);
      if (found && !listed.includes(found[1])) await cache.delete(request);
    }
    return putAside(["/visits/", ...listed.slice(0, 12).flatMap((id) => [`/visits/${id}/`, `/visits/${id}/record/`])]);
  }

  async function start() {
    if ("serviceWorker" in navigator) {
      await navigator.serviceWorker.register("/visits/worker.js", { scope: "/" }).catch(() => {});
    }
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
    await paint();
    send();
    await tidyCopies();
    frame.dataset.ready = "yes";
  }

  window.addEventListener("online", send);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
  setInterval(() => { if (!document.hidden) send(); }, TRY_EVERY_MS);
  start();
})();
