"""A page walked with Tab alone: what it reaches, in which order, and whether it is seen where one is."""

from __future__ import annotations

from playwright.sync_api import Page

BATCH = 20
MOST_TABS = 2000
"""No page has so many stops, even of dates with four parts each. No source: a walk that never comes round ends."""

BEGIN = """() => {
  const tabs = "a[href], area[href], button, input, select, textarea, summary, iframe, [tabindex], [contenteditable]";
  const seen = (one) => one.checkVisibility({ visibilityProperty: true }) && one.getClientRects().length;
  const stops = [...document.querySelectorAll(tabs)].filter((one) =>
    !one.disabled && one.type !== "hidden" && one.tabIndex >= 0 && seen(one) && !one.closest("[inert], .djdt"));
  const group = (one) => one.type === "radio" && one.name ? [one.form, one.name] : null;
  const same = (a, b) => a === b || (group(a) && group(b) && group(a).every((part, at) => part === group(b)[at]));
  const wrong = [];
  const name = (one) => (one.outerHTML || "").replace(/\\s+/g, " ").slice(0, 120);
  const shown = (one) => one.labels?.[0] && one.clientWidth < 2 ? one.labels[0] : one;
  const boxes = new Map(stops.map((one) => {
    const box = shown(one).getBoundingClientRect();
    return [one, new DOMRect(box.x + scrollX, box.y + scrollY, box.width, box.height)];
  }));
  const stays = (one) => {
    for (; one; one = one.parentElement) {
      if (["fixed", "sticky"].includes(getComputedStyle(one).position)) return true;
    }
    return false;
  };
  const ringed = (one) => {
    for (const each of [one, ...(one.labels ?? []), one.parentElement]) {
      const style = each && getComputedStyle(each);
      if (style && style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2) return true;
    }
    return false;
  };
  const uncovered = (one) => {
    const places = [0.5, 0.1, 0.9].flatMap((x) => [0.5, 0.1, 0.9].map((y) => [x, y]));
    return [...shown(one).getClientRects()].some((box) => places.some(([x, y]) => {
      const hit = document.elementFromPoint(box.x + x * box.width, box.y + y * box.height);
      return hit && shown(one).contains(hit);
    }));
  };
  const walked = [];
  const left = () => stops.filter((one) => !walked.some((each) => same(one, each))).map(name);
  window.walk = { round: false, wrong, left };
  document.addEventListener("focusin", (event) => {
    const one = event.target, last = walked.at(-1);
    if (window.walk.round || one === last) return;
    if (walked.includes(one)) { window.walk.round = true; return; }
    walked.push(one);
    if (!stops.includes(one)) return;
    shown(one).scrollIntoView({ block: "nearest", behavior: "instant" }); // as the browser does, but only afterwards
    if (!ringed(one)) wrong.push(`no ring: ${name(one)}`);
    if (!uncovered(one)) wrong.push(`covered: ${name(one)}`);
    if (!stops.includes(last) || last === stops.at(-1)) return; // the round goes on at the top
    const follows = last.compareDocumentPosition(one) & Node.DOCUMENT_POSITION_FOLLOWING;
    if (!follows) wrong.push(`before ${name(last)}: ${name(one)}`);
    const [from, to] = [boxes.get(last), boxes.get(one)];
    const back = to.bottom <= from.top && to.left < from.right;
    if (back && !stays(one) && !stays(last)) wrong.push(`above ${name(last)}: ${name(one)}`);
  });
  document.activeElement?.blur();
  scrollTo(0, 0);
  return stops.length;
}"""


def wrong_by_keyboard(page: Page) -> list[str]:
    """What a walk with Tab from the top of the page, all round, finds amiss.

    A stop that is not reached (WCAG 2.2, 2.1.1), or twice before all others were (2.1.2, no trap); one without a ring
    of two pixels (2.4.7, 2.4.13), wholly covered (2.4.11), before the stop that it follows in the page, or above it
    and not beside it (2.4.3). What radio buttons share, one of them stands for.
    """
    stops = page.evaluate(BEGIN)
    for _ in range(0, MOST_TABS, BATCH):
        for _ in range(BATCH):
            page.keyboard.press("Tab")
        if not stops or page.evaluate("window.walk.round"):
            break
    found: dict[str, list[str]] = page.evaluate("({ wrong: window.walk.wrong, left: window.walk.left() })")
    page.evaluate("document.activeElement?.blur()")  # the link that skips to the page lies over others while it has it
    return [*found["wrong"], *(f"not reached: {one}" for one in found["left"])]
