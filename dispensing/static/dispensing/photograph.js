// Placing points on a picture: by click, touch or keys, under a loupe. The fields of the form hold the truth; this moves them.
(() => {
  "use strict";
  const form = document.getElementById("photo-form");
  const stage = document.getElementById("stage");
  if (!form || !stage) return;
  const inner = document.getElementById("stage-in"), photo = document.getElementById("photo"), marks = document.getElementById("marks");
  const loupe = document.getElementById("loupe"), results = document.getElementById("results"), now = document.getElementById("stage-now");
  const W = Number(stage.dataset.width), H = Number(stage.dataset.height), NS = "http://www.w3.org/2000/svg";
  const live = document.getElementById("live");
  const rows = new Map([...document.querySelectorAll(".point")].map((e) => [e.dataset.point, e]));
  const field = (name, axis) => form.elements.namedItem(`${axis}.${name}`);
  const number = (text) => { const t = text.trim().replace(",", "."); return t === "" || !Number.isFinite(Number(t)) ? null : Number(t); };
  const at = (name) => {
    const x = number(field(name, "x").value), y = number(field(name, "y").value);
    return x === null || y === null ? null : { x, y };
  };
  const kind = () => form.elements.namedItem("reference_kind").value;
  const names = () => [...rows.keys()].filter((n) => !rows.get(n).hidden);
  const label = (name) => rows.get(name).querySelector(".point-name").firstChild.textContent.trim();

  // --- what is shown ---------------------------------------------------------------------------------------------------
  let current = null;
  let zoom = 1, left = 0, top = 0;  // enlargement, and the corner of the picture in the stage, screen pixels
  const base = () => stage.clientWidth / W;
  const toPicture = (event) => {
    const box = stage.getBoundingClientRect(), scale = base() * zoom;
    return { x: (event.clientX - box.left - stage.clientLeft - left) / scale, y: (event.clientY - box.top - stage.clientTop - top) / scale };
  };
  const clamp = (v, low, high) => Math.min(Math.max(v, low), high);
  const place = () => {
    const w = stage.clientWidth, h = w * H / W;
    stage.style.height = `${h + 2}px`;  // with its border; the picture inside may be larger
    left = clamp(left, w - w * zoom, 0);
    top = clamp(top, h - h * zoom, 0);
    inner.style.width = `${100 * zoom}%`;  // not scaled: strokes keep their width
    inner.style.transform = `translate(${left}px,${top}px)`;
    draw();
  };
  const enlarge = (factor, cx = stage.clientWidth / 2, cy = stage.clientHeight / 2) => {
    const next = clamp(zoom * factor, 1, 16);
    left = cx - (cx - left) * next / zoom;
    top = cy - (cy - top) * next / zoom;
    zoom = next;
    place();
  };
  const intoView = (p) => {
    const scale = base() * zoom, x = left + p.x * scale, y = top + p.y * scale, edge = 60;
    if (x < edge || x > stage.clientWidth - edge) left += stage.clientWidth / 2 - x;
    if (y < edge || y > stage.clientHeight - edge) top += stage.clientHeight / 2 - y;
    place();
  };
  const path = (d, kinds) => {
    for (const k of [kinds === "box" ? "under thin" : "under", kinds]) {
      const e = document.createElementNS(NS, "path");
      e.setAttribute("d", d);
      e.setAttribute("class", k);
      marks.append(e);
    }
  };
  const roll = () => {
    let dx = 0, dy = 0;
    for (const side of ["top", "bottom"]) {
      const r = at(`rim.right.${side}`), l = at(`rim.left.${side}`);
      if (r && l) { dx += l.x - r.x; dy += l.y - r.y; }
    }
    return dx > 0 ? Math.atan2(dy, dx) : 0;
  };
  const draw = () => {
    marks.replaceChildren();
    const unit = 1 / (base() * zoom);  // one screen pixel in picture pixels
    const turn = roll(), c = Math.cos(turn), s = Math.sin(turn);
    for (const side of ["right", "left"]) {
      const p = Object.fromEntries(["nasal", "temporal", "top", "bottom"].map((k) => [k, at(`rim.${side}.${k}`)]));
      if (!Object.values(p).every(Boolean)) continue;
      // the box lies as the frame lies: its sides are level and upright in the frame
      const along = (q) => q.x * c + q.y * s, down = (q) => -q.x * s + q.y * c;
      const corner = (u, v) => `${(u * c - v * s).toFixed(1)} ${(u * s + v * c).toFixed(1)}`;
      const x1 = along(p.nasal), x2 = along(p.temporal), y1 = down(p.top), y2 = down(p.bottom);
      path(`M${corner(x1, y1)}L${corner(x2, y1)}L${corner(x2, y2)}L${corner(x1, y2)}Z`, "box");
    }
    const ends = [at("reference.1"), at("reference.2")];
    if (ends[0] && ends[1] && kind() !== "frame") path(`M${ends[0].x} ${ends[0].y}L${ends[1].x} ${ends[1].y}`, "known");
    for (const name of names()) {
      const p = at(name);
      if (!p) continue;
      const arm = (name === current ? 13 : 8) * unit, gap = 3 * unit;
      const kindOf = name === current ? "now" : name.startsWith("reference") ? "held" : "cross";
      path(`M${p.x - arm} ${p.y}H${p.x - gap}M${p.x + gap} ${p.y}H${p.x + arm}M${p.x} ${p.y - arm}V${p.y - gap}M${p.x} ${p.y + gap}V${p.y + arm}`, kindOf);
    }
    for (const [name, row] of rows) row.classList.toggle("placed", at(name) !== null);
  };
  const look = (p) => {
    if (!p) { loupe.hidden = true; return; }
    loupe.hidden = false;
    const box = stage.getBoundingClientRect(), x = left + p.x * base() * zoom, y = top + p.y * base() * zoom;
    loupe.classList.toggle("aside", x > box.width / 2 && y < box.height / 2 + 100);
    const pen = loupe.getContext("2d"), size = loupe.width, enlarged = Math.max(3, 3.5 * base() * zoom);
    const span = size / enlarged, ratio = photo.naturalWidth / W;
    pen.imageSmoothingEnabled = enlarged < 6;
    pen.fillStyle = "#000";
    pen.fillRect(0, 0, size, size);
    pen.drawImage(photo, (p.x - span / 2) * ratio, (p.y - span / 2) * ratio, span * ratio, span * ratio, 0, 0, size, size);
    const m = size / 2;
    for (const [colour, width] of [["#000", 3], ["#ffd166", 1.25]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.beginPath();
      pen.moveTo(m, 8); pen.lineTo(m, m - 6); pen.moveTo(m, m + 6); pen.lineTo(m, size - 8);
      pen.moveTo(8, m); pen.lineTo(m - 6, m); pen.moveTo(m + 6, m); pen.lineTo(size - 8, m);
      pen.stroke();
    }
  };
  const tell = () => {
    const all = names().filter((n) => n !== "midline"), placed = all.filter(at).length, p = current && at(current);
    now.textContent = current ? `${label(current)}${p ? `: ${p.x.toFixed(1)}, ${p.y.toFixed(1)}` : ": place it"} · ${placed} of ${all.length}` : "";
  };
  const pick = (name, focus) => {
    current = name;
    for (const [n, row] of rows) row.querySelector(".point-pick").setAttribute("aria-pressed", String(n === name));
    const p = name && at(name);
    if (p && zoom > 1) intoView(p); else draw();
    look(p);
    tell();
    if (focus) stage.focus({ preventScroll: true });
  };
  const nextOpen = () => names().find((n) => !at(n) && !n.startsWith("midline")) || null;
  const set = (name, p, settled = true) => {
    field(name, "x").value = clamp(p.x, 0, W).toFixed(1).replace(/\.0$/, "");
    field(name, "y").value = clamp(p.y, 0, H).toFixed(1).replace(/\.0$/, "");
    form.dataset.typed = "1";
    draw();
    look(at(name));
    tell();
    if (settled) ask();
  };

  // --- what the points say ------------------------------------------------------------------------------------------------
  let timer = 0, asked = null;
  const ask = () => { asked?.abort(); results.setAttribute("aria-busy", "true"); clearTimeout(timer); timer = setTimeout(fetchResults, 250); };
  const fetchResults = async () => {
    asked?.abort();
    const mine = asked = new AbortController();
    results.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(stage.dataset.preview, { method: "POST", body: new FormData(form), signal: mine.signal, credentials: "same-origin" });
      if (!answer.ok || answer.redirected) throw new Error(String(answer.status)); // a page to sign in on is no result
      const open = results.querySelector("details")?.open;
      results.innerHTML = await answer.text();
      if (open && results.querySelector("details")) results.querySelector("details").open = true;
    } catch (error) {
      if (error.name === "AbortError") return;
      results.textContent = "No answer: what is shown on the picture is not kept yet.";
    }
    if (mine === asked) results.removeAttribute("aria-busy");
  };

  // --- hands ----------------------------------------------------------------------------------------------------------------
  const pointers = new Map();
  let drag = null, pinch = null;
  const nearest = (p) => {
    const reach = 16 / (base() * zoom);
    let best = null, least = reach;
    for (const name of names()) {
      const q = at(name);
      const d = q ? Math.hypot(q.x - p.x, q.y - p.y) : Infinity;
      if (d < least || (d === least && name === current)) { best = name; least = d; }
    }
    return best;
  };
  stage.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    stage.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, event);
    if (pointers.size === 2) {
      const [a, b] = pointers.values();
      pinch = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
      drag = null;
      return;
    }
    const p = toPicture(event), name = nearest(p);
    drag = { x: event.clientX, y: event.clientY, name, moved: false, off: name ? { x: at(name).x - p.x, y: at(name).y - p.y } : null, left, top };
    if (name) pick(name); else look(p);
  });
  stage.addEventListener("pointermove", (event) => {
    if (pointers.has(event.pointerId)) pointers.set(event.pointerId, event);
    if (pointers.size === 2 && pinch) {
      const [a, b] = pointers.values(), box = stage.getBoundingClientRect();
      const d = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
      enlarge(d / pinch, (a.clientX + b.clientX) / 2 - box.left, (a.clientY + b.clientY) / 2 - box.top);
      pinch = d;
      return;
    }
    if (!drag) { if (event.pointerType === "mouse") look(toPicture(event)); return; }
    const dx = event.clientX - drag.x, dy = event.clientY - drag.y;
    if (!drag.moved && Math.hypot(dx, dy) < 5) return;
    drag.moved = true;
    if (drag.name) {
      const p = toPicture(event);
      set(drag.name, { x: p.x + drag.off.x, y: p.y + drag.off.y }, false);
    } else { left = drag.left + dx; top = drag.top + dy; place(); }
  });
  const up = (event) => {
    const was = pointers.delete(event.pointerId);
    if (pointers.size < 2) pinch = null;
    if (!was || !drag) return;
    if (drag.name && drag.moved) ask();
    if (!drag.name && !drag.moved && current && event.type === "pointerup") {
      const p = toPicture(event);
      if (p.x >= 0 && p.x <= W && p.y >= 0 && p.y <= H) {
        const fresh = at(current) === null;
        set(current, p);
        if (fresh) { const next = nextOpen(); if (next) { current = next; pick(next); look(p); } }
      }
    }
    drag = null;
  };
  stage.addEventListener("pointerup", up);
  stage.addEventListener("pointercancel", up);
  stage.addEventListener("pointerleave", () => { if (!drag) look(current && at(current)); });
  stage.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && zoom === 1 && event.deltaY > 0) return;  // a whole picture lets the page scroll
    event.preventDefault();
    const box = stage.getBoundingClientRect();
    enlarge(Math.exp(-event.deltaY / 300), event.clientX - box.left, event.clientY - box.top);
  }, { passive: false });
  stage.addEventListener("keydown", (event) => {
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (steps && current) {
      event.preventDefault();
      const scale = base() * zoom, size = event.shiftKey ? 10 : 1;
      const p = at(current) || { x: (stage.clientWidth / 2 - left) / scale, y: (stage.clientHeight / 2 - top) / scale };
      set(current, { x: p.x + steps[0] * size, y: p.y + steps[1] * size });
      if (zoom > 1) intoView(at(current));
    } else if (event.key === "Enter" || event.key === "PageDown" || event.key === "PageUp") {
      event.preventDefault();
      const all = names(), i = all.indexOf(current), back = event.key === "PageUp" || event.shiftKey;
      pick(all[(i + (back ? -1 : 1) + all.length) % all.length]);
      live.textContent = now.textContent;
    } else if (event.key === "+" || event.key === "=") { event.preventDefault(); enlarge(1.5); }
    else if (event.key === "-") { event.preventDefault(); enlarge(1 / 1.5); }
    else if (event.key === "0") { event.preventDefault(); enlarge(1 / 16); }
    else if (event.key === "Delete" && current) { clear(current); }
  });
  stage.addEventListener("keyup", (event) => { if (event.key.startsWith("Arrow")) live.textContent = now.textContent; });
  const clear = (name) => {
    field(name, "x").value = field(name, "y").value = "";
    form.dataset.typed = "1";
    pick(name);
    ask();
  };

  // --- the form -------------------------------------------------------------------------------------------------------------
  const relevant = () => {
    const k = kind();
    document.getElementById("f-reference_mm").closest(".field").hidden = k !== "length";
    for (const name of ["reference.1", "reference.2"]) rows.get(name).hidden = k === "frame";
    if (current && rows.get(current).hidden) pick(nextOpen());
    draw();
    tell();
  };
  form.addEventListener("input", (event) => {
    if (/^[xy]\./.test(event.target.name || "")) { draw(); tell(); }
    ask();
  });
  form.addEventListener("change", relevant);
  for (const [name, row] of rows) {
    const button = row.querySelector(".point-pick"), away = row.querySelector(".point-clear");
    button.hidden = away.hidden = false;
    button.addEventListener("click", () => pick(name, true));
    away.addEventListener("click", () => clear(name));
    for (const axis of ["x", "y"]) field(name, axis).addEventListener("focus", () => { if (current !== name) pick(name); });
  }
  document.getElementById("zoom-in").addEventListener("click", () => { const p = current && at(current); enlarge(1.6); if (p) intoView(p); });
  document.getElementById("zoom-out").addEventListener("click", () => enlarge(1 / 1.6));
  document.getElementById("zoom-fit").addEventListener("click", () => enlarge(1 / 16));
  document.getElementById("points").classList.add("live");
  document.querySelector(".stage-bar").hidden = false;
  document.getElementById("stage-help").hidden = false;
  stage.classList.add("live");
  stage.tabIndex = 0;
  stage.setAttribute("role", "application");
  stage.setAttribute("aria-label", "Picture with points");
  stage.setAttribute("aria-describedby", "stage-help");
  addEventListener("resize", place);
  place();
  photo.addEventListener("load", () => look(current && at(current)), { once: true });
  relevant();
  pick(nextOpen() || names()[0]);
})();
