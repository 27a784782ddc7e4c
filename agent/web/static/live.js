// Keeps an open page as new as what it shows. It hears the names of what has changed, asks for its own address again,
// and puts the parts of <main> that differ in place of the old ones. What somebody is filling in stays as it is.
// Without this script every page is as it was when it was loaded.
"use strict";
(() => {
  const main = document.getElementById("main");
  const shown = new Set((main ? main.dataset.live || "" : "").split(" ").filter(Boolean));
  if (!main || !shown.size || !("EventSource" in window)) return;

  const LATER = 4000;
  let due = false;
  let busy = false;
  let timer = 0;
  const served = new WeakMap();

  const text = (node) => {
    const copy = node.cloneNode(true);
    for (const field of copy.querySelectorAll("input[name=csrf]")) field.remove();
    return copy.outerHTML;
  };
  for (const part of main.children) served.set(part, text(part));

  const changed = (field) => {
    if (field.type === "hidden" || field.type === "submit") return false;
    if (field.type === "file") return field.files.length > 0;
    if (field.type === "checkbox" || field.type === "radio") return field.checked !== field.defaultChecked;
    if (field.options) return [...field.options].some((one) => one.defaultSelected) &&
      [...field.options].some((one) => one.selected !== one.defaultSelected);
    return field.value !== field.defaultValue;
  };
  const occupied = (part) => {
    const active = document.activeElement;
    if (part.contains(active) && active.closest("form")) return true;
    const chosen = window.getSelection();
    if (chosen && !chosen.isCollapsed && part.contains(chosen.anchorNode)) return true;
    return [...part.querySelectorAll("form input, form select, form textarea")].some(changed);
  };

  const place = (element) => {
    if (element.id) return `#${CSS.escape(element.id)}`;
    const address = element.getAttribute("href");
    return address ? `${element.tagName}[href="${CSS.escape(address)}"]` : "";
  };
  const swap = (old, fresh) => {
    const before = served.get(old);
    const now = text(fresh);
    if (before === now) return true;
    if (occupied(old)) return false;
    const opened = [...old.querySelectorAll("details")].map((one) => one.open);
    [...fresh.querySelectorAll("details")].forEach((one, at) => { if (opened[at] !== undefined) one.open = opened[at]; });
    if (old.tagName === "DETAILS") fresh.open = old.open;
    const active = old.contains(document.activeElement) ? document.activeElement : null;
    const wanted = active ? (active.tagName === "SUMMARY" ?
      [...old.querySelectorAll("summary")].indexOf(active) : place(active)) : "";
    const scrolled = [old, ...old.querySelectorAll(".scroll")].map((one) => [one.scrollLeft, one.scrollTop]);
    old.replaceWith(fresh);
    served.set(fresh, now);
    [fresh, ...fresh.querySelectorAll(".scroll")].forEach((one, at) => {
      if (scrolled[at]) [one.scrollLeft, one.scrollTop] = scrolled[at];
    });
    const again = typeof wanted === "number" ? fresh.querySelectorAll("summary")[wanted] :
      wanted && (fresh.matches(wanted) ? fresh : fresh.querySelector(wanted));
    if (again) again.focus({ preventScroll: true });
    return true;
  };

  const renew = (page) => {
    const fresh = page.getElementById("main");
    if (!fresh) return true;
    const old = [...main.children];
    const parts = [...fresh.children];
    if (old.length === parts.length && old.every((one, at) => one.tagName === parts[at].tagName)) {
      return old.map((one, at) => swap(one, parts[at])).every(Boolean);
    }
    if (old.some(occupied)) return false;
    const from = [window.scrollX, window.scrollY];
    const active = main.contains(document.activeElement) ? place(document.activeElement) : "";
    main.replaceChildren(...parts);
    for (const part of parts) served.set(part, text(part));
    window.scrollTo(...from);
    const again = active && main.querySelector(active);
    if (again) again.focus({ preventScroll: true });
    return true;
  };

  const look = async () => {
    if (busy || document.hidden) return;
    busy = true;
    due = false;
    try {
      const answer = await fetch(location.href, {
        headers: { "x-lowmark-live": "1" }, credentials: "same-origin", cache: "no-store",
      });
      if (answer.redirected || answer.status === 401) {
        if (![...main.children].some(occupied)) location.reload();
      } else if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        if (!renew(page)) due = true;
        else document.title = page.title;
      }
    } catch {
      due = true; // the agent cannot be reached now; the stream says when it is back
    }
    busy = false;
    if (due) later(LATER);
  };
  const later = (milliseconds) => {
    clearTimeout(timer);
    timer = setTimeout(look, milliseconds);
  };

  const source = new EventSource("/live");
  source.addEventListener("changed", (event) => {
    const names = JSON.parse(event.data);
    const meant = (name) => shown.has(name) ||
      (name === "printer:*" && [...shown].some((one) => one.startsWith("printer:")));
    if (!names.some(meant)) return;
    due = true;
    later(0);
  });
  let before = false;
  source.addEventListener("open", () => {
    if (before) { due = true; later(0); } // something may have changed while nothing was heard
    before = true;
  });
  document.addEventListener("visibilitychange", () => { if (due) later(0); });
  window.addEventListener("pagehide", () => source.close());
})();
