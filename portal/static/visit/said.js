// What was entered, in words.

import { frame, spoken } from "./here.js";

/** @typedef {import("./store.js").Row} Row */

/** @type {Record<string, string>} */
export const NAMES = {
  set_out: spoken("Set out"),
  tap: spoken("Tap and hose"), water: spoken("Water quality"), ladder: spoken("Ladder and footing"), pre_rinse: spoken("Pre-rinse"),
  soak: spoken("Soak"), scrub: spoken("Soft scrub"), rinse: spoken("Final rinse"), glass: spoken("Glass"),
  frame: spoken("Frame and clamps"), cables: spoken("Cables and connectors"),
  roof: spoken("Roof penetrations"), nesting: spoken("Nesting"), debris: spoken("Debris"),
  shading: spoken("Shading growth"), few_photos: spoken("Why fewer photos"), sign_off: spoken("Customer"),
  finish: spoken("Finish"), arrived: spoken("Arrived"), place: spoken("Where the roof is"), left: spoken("Left"), extra: spoken("Extra work"),
  told: spoken("What the customer was told"), answer: spoken("Doorstep"), read: spoken("What is known of the roof"),
};
/** @type {Record<string, string>} */
const ANSWERS = {
  ok: "OK", seen: spoken("Seen"), urgent: spoken("Urgent"), signed: spoken("Customer agreed"),
  not_at_home: spoken("Not at home"),
};
/** @type {Record<string, string>} */
const PHASES = { before: spoken("before"), after: spoken("after"), wide: spoken("wide"), close: spoken("close") };
const STATES = { sent: spoken("sent"), waiting: spoken("waits on this phone"), refused: "" };

/** @param {Row} row */
export function nameOf(row) {
  const field = row.fields;
  if (row.fileName) {
    const where = [NAMES[field.item] || PHASES[field.phase], PHASES[field.distance]].filter(Boolean).join(", ");
    return [spoken("Photo"), where].join(" ");
  }
  return `${NAMES[field.item] || NAMES[field.kind] || ""} ${inWords(row)}`.trim();
}

/** @param {Row} row */
export function inWords(row) {
  const field = row.fields;
  const time = new Date(row.madeAt).toLocaleTimeString("en-GB", { // as the portal writes it
    hour: "2-digit", minute: "2-digit", timeZone: frame.dataset.tz || undefined,
  });
  return [
    ANSWERS[field.answer] || spoken("Done"), field.water_ppm && `${field.water_ppm} ppm`,
    field.soak_minutes && `${field.soak_minutes} min`,
    field.drive_minutes && `${field.drive_minutes} min`, field.note, time, STATES[row.state] && "·", STATES[row.state],
  ].filter(Boolean).join(" ");
}
