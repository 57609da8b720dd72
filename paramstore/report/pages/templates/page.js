"use strict";
// Lights up what belongs together, and lets the arrow keys move in a map, a table or among bytes.
// Without this script the page says all the same.
{
  const tell = document.getElementById("tell");
  let lit = [], held = null;

  const put_out = () => {
    for (const e of lit) e.classList.remove("lit", "at");
    lit = [];
    tell.hidden = true;
  };

  const light = (item) => {
    put_out();
    const thing = item.closest("[data-k]");
    if (!thing) return;
    for (const key of thing.dataset.k.split(" "))
      for (const e of document.querySelectorAll(`[data-k~="${key}"]`)) { e.classList.add("lit"); lit.push(e); }
    if (item.matches("b")) { item.classList.add("at"); lit.push(item); }
    const words = describe(item, thing);
    if (words) { tell.textContent = words; tell.hidden = false; }
  };

  // ---- Bytes: text of a run becomes one element a byte when it is first touched ----

  const split = (run) => {
    if (run.dataset.split || !run.matches("i")) return;
    run.dataset.split = "1";
    const bytes = run.textContent.trim().split(/\s+/);
    run.textContent = "";
    bytes.forEach((text, at) => {
      const byte = document.createElement("b");
      byte.textContent = text;
      run.append(byte, at + 1 < bytes.length ? " " : "");
    });
  };

  const bytes_in = (run) => run.textContent.trim().split(/\s+/).length;
  const hex = (number) => "0x" + number.toString(16).toUpperCase().padStart(4, "0");

  // Says what an item is: a byte with its address, its place in its field, and the value of that.
  const describe = (item, thing) => {
    if (!thing.matches("i")) return thing.title;
    const row = thing.closest("tr"), table = thing.closest("table");
    const before = (runs) => runs.slice(0, runs.indexOf(thing)).reduce((sum, run) => sum + bytes_in(run), 0);
    const inside = item.matches("b") ? [...thing.children].indexOf(item) : 0;
    const address = Number(row.dataset.at) + before([...row.querySelectorAll("i")]) + inside;
    const runs = [...table.querySelectorAll(`i[data-k="${thing.dataset.k}"]`)];
    const size = runs.reduce((sum, run) => sum + bytes_in(run), 0), at = before(runs) + inside;
    const note = table.querySelector(`.means [data-k="${thing.dataset.k}"]`);
    const width = Number(note.dataset.w || 0);
    const part = width ? `element ${Math.floor(at / width)}, byte ${at % width} of ${width}; ` : size > 1 ? `byte ${at} of ${size}; ` : "";
    return `${hex(address)} holds ${item.textContent.trim()}: ${part}${note.textContent.trim()}` + (thing.dataset.o ? `; this byte is ${thing.dataset.o}` : "");
  };

  // ---- One stop for Tab in each map; arrows move in it ----

  const items = (roam) => {
    roam.querySelectorAll("i").forEach(split);
    const inside = [...roam.querySelectorAll("i > b")];
    return inside.length ? inside : [...roam.querySelectorAll("[data-k]")];
  };

  const arm = (item) => {
    item.tabIndex = 0;
    if (item.matches("tr")) return;
    item.setAttribute("role", "button");
    const thing = item.closest("[data-k]");
    item.setAttribute("aria-label", `${item.matches("b") ? "" : item.textContent.trim() + ": "}${describe(item, thing)}`);
    item.setAttribute("aria-pressed", String(held === item));
  };

  const go = (from, to) => {
    if (!to || to === from) return;
    from.tabIndex = -1;
    arm(to);
    to.focus();
  };

  const beside = (all, from, down) => {
    const here = from.getBoundingClientRect();
    const rows = all.map((e) => [e, e.getBoundingClientRect()])
      .filter(([, r]) => down ? r.top > here.top + 4 : r.top < here.top - 4);
    if (!rows.length) return null;
    const line = rows.reduce((best, [, r]) => down ? Math.min(best, r.top) : Math.max(best, r.top), down ? Infinity : -Infinity);
    return rows.filter(([, r]) => Math.abs(r.top - line) < 5)
      .reduce((a, b) => Math.abs(a[1].left - here.left) <= Math.abs(b[1].left - here.left) ? a : b)[0];
  };

  document.addEventListener("keydown", (event) => {
    const item = event.target, roam = item.closest && item.closest("[data-roam]");
    if (!roam || event.altKey || event.ctrlKey || event.metaKey) return;
    if (event.key === "Escape") { hold(null); return; }
    if (event.key === "Enter" || event.key === " ") {
      if (!item.matches("[role=button]")) return;
      event.preventDefault();
      hold(held === item ? null : item);
      return;
    }
    const all = items(roam);
    const at = all.includes(item) ? all.indexOf(item) : 0;
    const to = {
      ArrowRight: () => all[at + 1], ArrowLeft: () => all[at - 1],
      ArrowDown: () => beside(all, item, true), ArrowUp: () => beside(all, item, false),
      Home: () => all[0], End: () => all[all.length - 1],
    }[event.key];
    if (!to) return;
    event.preventDefault();
    go(item, to());
  });

  const hold = (item) => {
    if (held) { held.setAttribute("aria-pressed", "false"); held.classList.remove("held"); }
    held = item;
    if (item) { item.setAttribute("aria-pressed", "true"); item.classList.add("held"); light(item); } else put_out();
  };

  document.addEventListener("focusin", (event) => {
    const item = event.target;
    if (!item.closest("[data-k]")) return;
    const roam = item.closest("[data-roam]");
    if (roam && item.matches("i")) { const first = items(roam).find((b) => item.contains(b)); if (first) go(item, first); return; }
    if (!held) light(item);
  });
  document.addEventListener("focusout", () => { if (!held) put_out(); });
  document.addEventListener("pointerover", (event) => {
    const thing = event.target.closest("[data-k]");
    if (held) return;
    if (!thing) {  // a mouse at rest must not put out what the keyboard has lit
      const focused = document.activeElement;
      if (focused && focused.closest("[data-k]")) light(focused); else put_out();
      return;
    }
    split(thing);
    const under = document.elementFromPoint(event.clientX, event.clientY);
    light(under && under.matches("b") && thing.contains(under) ? under : thing);
  });
  document.addEventListener("click", (event) => {
    const item = event.target;
    if (item.matches("[data-roam] b, [data-roam] .bead")) {
      const stop = item.closest("[data-roam]").querySelector("[tabindex='0']");
      if (stop && stop !== item) stop.tabIndex = -1;
      arm(item); item.focus(); hold(held === item ? null : item);
    } else if (held && !item.closest("[data-k]")) hold(null);
  });

  // ---- A table that is wider than its place says so ----

  for (const box of document.querySelectorAll(".wide")) {
    const tell_more = () => box.classList.toggle("more", box.scrollWidth - box.clientWidth - box.scrollLeft > 4);
    box.addEventListener("scroll", tell_more, { passive: true });
    new ResizeObserver(tell_more).observe(box);
  }

  for (const roam of document.querySelectorAll("[data-roam]")) {
    const first = roam.querySelector("[data-k]");
    if (first) arm(first);
  }
}
