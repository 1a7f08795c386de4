// The sheet: saves as one goes, shows what the checks say while one types, and loses nothing.
// Every form on it works without this file; here they are only sent sooner.
(() => {
  "use strict";
  const sheet = document.getElementById("sheet");
  const forms = [...document.querySelectorAll("form.sheet-form")];
  const $ = (id) => document.getElementById(id);
  document.documentElement.classList.add("js");

  // --- typing: Enter goes on, Up and Down step, the sign is always shown -------------------------------------------

  const STEP = { power: 0.25, cylinder: 0.25, add: 0.25, axis: 1, prism_h: 0.25, prism_v: 0.25, prism_in: 0.25, prism_up: 0.25, mm: 0.5, degrees: 1, far: 10 };
  const SIGNED = new Set(["power", "cylinder", "add"]);

  const stepped = (input, up) => {
    const kind = input.dataset.kind, step = STEP[kind];
    if (!step) return null;
    const text = /^\s*(pl|plano|ds|inf|∞)?\.?\s*$/i.test(input.value) ? "" : input.value;
    const found = /^\s*([+\-−–]?)\s*(\d*(?:[.,]\d*)?)\s*([-−–]?)\s*(.*)$/.exec(text);
    if (!found || (text && !found[2])) return null; // not understood here: left as it is
    let number = parseFloat((found[2] || "0").replace(",", ".")) || 0;
    if (/[-−–]/.test(found[1] + found[3])) number = -number;
    if (SIGNED.has(kind) && /^\d{3,4}$/.test(found[2])) number /= 100;
    const steps = number / step; // between two steps it goes to the next one, whichever side of zero
    number = (up ? Math.floor(steps + 1e-6) + 1 : Math.ceil(steps - 1e-6) - 1) * step;
    if (kind === "axis") number = number > 180 ? number - 180 : number < 1 ? number + 180 : number;
    if (kind.startsWith("prism") || kind === "add" || (kind === "mm" && !input.name.endsWith("above_mm")) || kind === "far") number = Math.max(0, number);
    const size = Math.abs(number);
    const digits = SIGNED.has(kind) || kind.startsWith("prism") ? size.toFixed(2) : kind === "mm" ? size.toFixed(1) : String(size);
    const sign = number < 0 ? "−" : SIGNED.has(kind) && number > 0 ? "+" : "";
    return sign + digits + (found[4] ? " " + found[4] : "");
  };

  // What Enter goes through, in the order of the work. Of a group of choices it stops at the first; Tab goes through all.
  const STOPS = "form.sheet-form input:not([type=hidden]):not([data-skip]), form.sheet-form select, form.rx-again input:not([type=hidden]), #f-frame-search, #fit-actions button[name=confirm], #adopt-all";
  const group = (f) => (f.type === "checkbox" || f.type === "radio" ? f.closest("fieldset.choices") : null);
  const fields = () => {
    const seen = new Set();
    return [...document.querySelectorAll(STOPS)].filter((f) => {
      const of = group(f);
      if (f.disabled || (of && seen.has(of)) || f.closest("[data-idle], [hidden]")) return false;
      if (f.type === "radio" && !f.checked && of?.querySelector("input:checked")) return false;
      if (of) seen.add(of);
      const more = f.closest("details.more");
      return !(more && !more.open);
    });
  };
  let arrived = null; // where the work went on by itself, not by a finger
  const arrive = (next) => {
    const fold = next.closest("details.sheet-part");
    if (fold && !fold.open) fold.open = true;
    arrived = next;
    next.focus();
    if (next.matches("input:not([type=checkbox]):not([type=radio])")) next.select();
  };
  const goOn = (from, back) => {
    const list = fields();
    let i = list.indexOf(from);
    if (i < 0) i = list.findIndex((f) => group(f) && group(f) === group(from));
    const next = list[i + (back ? -1 : 1)] || document.querySelector("#review .button:not(.plain), #review .button");
    if (next) arrive(next);
  };
  const goOnAfter = (place) => {
    const next = fields().find((f) => place.compareDocumentPosition(f) & Node.DOCUMENT_POSITION_FOLLOWING && !place.contains(f));
    if (next) arrive(next);
  };

  document.addEventListener("keydown", (event) => {
    const input = event.target;
    if (!(input instanceof HTMLElement) || !input.matches("form.sheet-form input, form.sheet-form select, form.rx-again input")) return;
    if ((event.key === "ArrowUp" || event.key === "ArrowDown") && input.dataset.kind && !event.altKey && !event.ctrlKey) {
      const value = stepped(input, event.key === "ArrowUp");
      if (value === null) return;
      event.preventDefault();
      input.value = value;
      input.dispatchEvent(new Event("input", { bubbles: true }));
      return;
    }
    if (input.id === "f-frame-search" || input.matches(".frame-choice")) return;
    // a form's first button would take it: the reason is for one of the readings under it, which has to be named
    if (event.key === "Enter" && !event.isComposing && input.closest(".strike")) { event.preventDefault(); input.closest("details").querySelector("button[name=strike]")?.focus(); return; }
    if (event.key === "Enter" && !event.isComposing && !event.ctrlKey && !event.metaKey && !input.hasAttribute("data-skip") && (input.closest("form.sheet-form") || (input.closest("form.rx-again") && fields().at(-1) !== input))) {
      event.preventDefault();
      if (input.dataset.kind === "readings" && input.value.trim()) { changed(input); }
      goOn(input, event.shiftKey);
    }
  });

  // Frames found: Enter or Down goes to the first, Up and Down through the list, Enter takes one. A list of what was typed before is
  // about to be replaced, the focus in it would be lost.
  let wanted = null, searchedAt = 0;
  document.addEventListener("input", (event) => { if (event.target.id === "f-frame-search") searchedAt = Date.now(); });
  const isFoundFor = (search) => document.querySelector("#frame-results .frames-found")?.dataset.query.trim() === search.value.trim();
  document.addEventListener("htmx:afterSwap", (event) => {
    const search = document.getElementById("f-frame-search");
    if (event.target.id !== "frame-results" || !search || !isFoundFor(search)) return;
    if (wanted === search.value && document.activeElement === search) document.querySelector("#frame-results .frame-choice")?.focus();
    wanted = null;
  });
  document.addEventListener("keydown", (event) => {
    const found = [...document.querySelectorAll("#frame-results .frame-choice")];
    const at = found.indexOf(event.target);
    const search = event.target.id === "f-frame-search" && event.target;
    if (search && (event.key === "ArrowDown" || event.key === "Enter") && search.value.trim()) {
      if (isFoundFor(search)) { if (found.length) { event.preventDefault(); found[0].focus(); } }
      else if (window.htmx) {
        event.preventDefault();
        wanted = search.value; // quicker than the answer: it goes there when the list is there
        // no question is on its way: the last got no answer, or the browser brought back what was typed before
        if (Date.now() - searchedAt > 1000 && !search.classList.contains("htmx-request")) htmx.trigger(search, "search");
      }
    }
    if (event.target.id === "f-frame-search" && event.key === "Enter" && !event.target.value.trim()) { event.preventDefault(); goOn(event.target, event.shiftKey); }
    if (at >= 0 && (event.key === "ArrowDown" || event.key === "ArrowUp")) {
      event.preventDefault();
      (found[at + (event.key === "ArrowDown" ? 1 : -1)] || (event.key === "ArrowUp" ? $("f-frame-search") : found[at])).focus();
    }
  });
  document.addEventListener("submit", (event) => { if (event.target.matches(".frames-found")) sessionStorage.setItem("datumline.next", "fit"); });

  document.addEventListener("click", (event) => {
    const copy = event.target.closest("[data-copy]");
    if (copy) {
      for (const right of document.querySelectorAll(`[name^="${copy.dataset.copy}.right."]`)) {
        const left = document.getElementsByName(right.name.replace(".right.", ".left."))[0];
        if (!left || left.type === "checkbox") continue;
        left.value = right.value; // a base is in or out, up or down, of its own eye
        left.classList.add("copied");
        setTimeout(() => left.classList.remove("copied"), 1600);
      }
      const first = document.getElementsByName(`${copy.dataset.copy}.left.sphere`)[0];
      say("Right copied to left.");
      if (first) { changed(first); first.focus(); first.select(); }
    }
    const put = event.target.closest("[data-put]");
    if (put) {
      const field = document.getElementsByName(put.dataset.put)[0];
      field.value = put.dataset.value;
      field.closest("details").open = true;
      changed(field);
      field.focus();
    }
    const fill = event.target.closest("[data-fill]");
    if (fill) {
      const values = JSON.parse(fill.dataset.fill), field = (name) => document.getElementsByName(name)[0];
      for (const [name, value] of Object.entries(values)) field(name).value = value;
      const chosen = document.querySelector(`[name="lens.compensation"][value="practice"]`);
      chosen.checked = true;
      $("ordered-powers").removeAttribute("data-idle");
      const first = field("lens.ordered_right.sphere");
      say("Put in as computed.");
      changed(first);
      first.focus();
    }
    const jump = event.target.closest('a[href^="#f-"], a[href^="#part-"], a[href="#say"]');
    if (jump) {
      const to = $(jump.getAttribute("href").slice(1));
      if (!to) return;
      event.preventDefault();
      if (to.id === "say") { to.open = true; to.querySelector("summary").focus({ preventScroll: true }); to.scrollIntoView({ block: "nearest" }); return; }
      for (let fold = to.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
      to.scrollIntoView({ block: "center", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
      const aim = to.matches("details.sheet-part") ? to.querySelector("input:not([type=hidden]),select,textarea,button") || to : to;
      aim.focus({ preventScroll: true });
    }
  });

  if (!sheet) return;

  // Every field has a place for how it was understood and one for what is wrong; the page brings those that say something.
  for (const field of document.querySelectorAll("form.sheet-form .field :is(input,select,textarea)[id]:not([data-skip]), form.sheet-form fieldset.field")) {
    const place = (name, tag, put) => {
      const id = `${field.id}-${name}`;
      if ($(id)) return;
      const made = Object.assign(document.createElement(tag), { id, className: name, hidden: tag === "p" });
      put(made);
      if (!field.matches("fieldset")) field.setAttribute("aria-describedby", `${field.getAttribute("aria-describedby") || ""} ${id}`.trim());
    };
    place("echo", "output", (made) => (field.matches("fieldset") ? field.append(made) : (field.closest("label") || field).after(made)));
    place("error", "p", (made) => field.closest(".field").append(made));
  }

  // --- state: saved, busy, not saved yet, offline -------------------------------------------------------------------

  // What is kept on a device belongs to the person who typed it: on a shared one it is never shown to, or sent as, somebody else.
  const KEPT = "datumline.sheet.", OURS = `${KEPT}${sheet.dataset.reference}.`, KEY = `${OURS}${sheet.dataset.person}`;
  const LONGEST = 12 * 3600e3;
  const TAB = Array.from(crypto.getRandomValues(new Uint8Array(4)), (b) => b.toString(16).padStart(2, "0")).join("");
  const saving = $("saving");
  const say = (words) => { const live = $("live"); if (live && words && live.textContent !== words) live.textContent = words; };
  const clock = () => new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const state = (name, words) => { saving.dataset.state = name; saving.textContent = words; saving.classList.toggle("alert", words.startsWith("not saved")); };
  const kept = (key = KEY) => { try { return JSON.parse(localStorage.getItem(key)) || {}; } catch { return {}; } };
  const everyKey = () => { try { return Object.keys(localStorage); } catch { return []; } };
  const keep = (all) => { try { if (Object.keys(all).length) localStorage.setItem(KEY, JSON.stringify(all)); else localStorage.removeItem(KEY); } catch { /* private mode: the page itself still holds what was typed */ } };

  // --- sending: one save at a time, an older answer never over a newer one --------------------------------------------

  let count = 0, applied = 0, preview = null, sendingNow = false, leaving = false, toldToSignIn = false;
  let before = null; // methods chosen before a point was placed
  const placedIn = new Set(); // fields that a placed point typed into
  const waiting = new Map(); // part -> {url, body, number, readings}
  const dirty = new Set();
  const edits = new Map(); // part -> how often something was typed in it
  const unsaid = new Map(); // part -> why it was not saved when it was last sent
  const touch = (part) => { dirty.add(part); edits.set(part, (edits.get(part) || 0) + 1); };
  const token = () => document.querySelector("[name=csrfmiddlewaretoken]").value;
  const bodyOf = (form, submitter) => {
    const data = new FormData(form);
    if (submitter && submitter.name) data.append(submitter.name, submitter.value);
    data.delete("csrfmiddlewaretoken");
    return [...data.entries()].filter(([, v]) => typeof v === "string");
  };
  const encode = (pairs) => { const out = new URLSearchParams(); for (const [n, v] of pairs) out.append(n, v); return out; };
  const ask = (url, body, signal) => fetch(url, {
    method: "POST", body: encode(body), signal, credentials: "same-origin",
    headers: { "Accept": "application/json", "X-CSRFToken": token() },
  });

  // What was asked last is sent last. One that may have arrived, its answer lost, is asked again before what is newer.
  const enqueue = (slot, item) => {
    const older = waiting.get(slot);
    if (older?.tried) {
      if (item.deed && [...waiting.values()].at(-1) === older && JSON.stringify(older.body) === JSON.stringify(item.body)) return; // pressed twice
      const all = [...waiting];
      waiting.clear();
      for (const [key, one] of all) waiting.set(one === older ? `${slot}:${++count}` : key, one);
    } else waiting.delete(slot);
    waiting.set(slot, { at: Date.now(), ...item });
  };
  const queue = (form, submitter, held = []) => {
    const part = form.dataset.part;
    const url = (submitter && submitter.getAttribute("formaction")) || form.getAttribute("action");
    const deed = submitter && submitter.name ? [submitter.name, submitter.value] : null;
    const without = new Map(held);
    const body = bodyOf(form, submitter).map(([n, v]) => [n, without.get(n) ?? v]);
    enqueue(deed ? `${part}:${deed.join("=")}` : part, { part, url, body, deed, edit: edits.get(part) });
    if (part === "readings" && !deed) emptyReadings(form, without);
    store();
    send();
  };

  const readingFields = () => [...formOf("readings").querySelectorAll('[data-kind="readings"]')];
  const giveBack = () => { if (before) for (const [name, value] of before) document.getElementsByName(name)[0].value = value; before = null; placedIn.clear(); $("placed").hidden = true; };
  // A reading typed by hand while a point waits to be kept goes by its own method, and the point goes on waiting.
  const heldBack = () => (before ? [...before, ...[...placedIn].map((name) => [name, ""])] : []);
  // Readings leave their fields when they are sent: the next one can be typed at once. Until the answer comes they are kept.
  let sentReadings = [];
  const emptyReadings = (form, held) => {
    const entry = form.elements.entry;
    const slot = waiting.get("readings");
    waiting.delete("readings");
    waiting.set(`readings:${entry.value}`, slot);
    if (!held.size) giveBack();
    for (const field of form.querySelectorAll('[data-kind="readings"]')) if (field.value.trim() && !held.has(field.name)) { sentReadings.push([slot, field.name, field.value]); field.value = ""; $(`${field.id}-echo`).textContent = ""; }
    entry.value = Array.from(crypto.getRandomValues(new Uint8Array(8)), (b) => b.toString(16).padStart(2, "0")).join("");
  };

  const store = () => {
    // another tab of the same sheet keeps its own beside it
    const all = Object.fromEntries(Object.entries(kept()).filter(([, item]) => item.tab !== TAB));
    for (const [slot, item] of waiting) all[`${TAB} ${slot}`] = { ...item, slot, tab: TAB };
    for (const part of dirty) if (part !== "readings" && (!waiting.has(part) || waiting.get(part).edit !== edits.get(part))) { const form = formOf(part); if (form) all[`${TAB} ${part} typed`] = { part, slot: part, url: form.getAttribute("action"), body: bodyOf(form), at: Date.now(), draft: true, tab: TAB }; }
    keep(all);
  };

  const formOf = (part) => forms.find((f) => f.dataset.part === part);

  const send = async () => {
    if (sendingNow || !waiting.size) return;
    sendingNow = true;
    const item = waiting.values().next().value;
    const form = formOf(item.part);
    const number = ++count;
    const body = item.body.map(([n, v]) => (n === "version" && form ? [n, form.elements.version.value] : [n, v]));
    item.tried = true;
    if (preview) preview.abort();
    state("busy", "saving");
    let answer;
    try {
      const response = await ask(item.url, body);
      if (!(response.headers.get("Content-Type") || "").includes("json")) throw new Refusal(response.redirected || response.status === 403 ? "sign in again" : "the server could not answer");
      answer = await response.json();
      if (!answer.fields) throw new Refusal("the server could not answer");
    } catch (trouble) {
      sendingNow = false;
      store();
      stay();
      const offline = !(trouble instanceof Refusal);
      state(offline ? "offline" : "unsaved", offline ? "not saved yet: no connection" : `not saved yet: ${trouble.message}`);
      say(offline ? "No connection: kept here, not saved yet." : `Not saved yet: ${trouble.message}.`);
      if (trouble.message === "sign in again" && !toldToSignIn) { toldToSignIn = true; notice("Sign in again, then load this page again. What you typed is kept on this device for you.", "warning"); }
      return;
    }
    sendingNow = false;
    for (const [slot, one] of waiting) if (one === item) waiting.delete(slot);
    if (answer.state === "saved") {
      if (item.edit === undefined || item.edit === edits.get(item.part)) { dirty.delete(item.part); unsaid.delete(item.part); } // else typed on since
      sentReadings = sentReadings.filter(([s]) => s !== item);
    } else if (item.part === "readings") {
      // back before whatever was typed there since: a field takes several
      for (const [s, name, value] of sentReadings) if (s === item) { const field = document.getElementsByName(name)[0]; if (field) { field.value = `${value} ${field.value}`.trim(); dirty.add("readings"); } }
      sentReadings = sentReadings.filter(([s]) => s !== item);
    }
    store();
    const whole = apply(answer, number, item.part, new Map(item.body), item);
    if (answer.state === "saved") {
      if (waiting.size) state("busy", "saving");
      else if (dirty.size) state("unsaved", [...unsaid.values()][0] || "typing");
      else state("saved", `saved ${clock()}`);
      if (!waiting.size && (dirty.size || !whole)) typing(); // the answer knows nothing of what is typed and not saved
      if (!waiting.size) leave();
    } else {
      const wrong = Object.values(answer.fields).filter((f) => f.error).length;
      const words = answer.clash ? "not saved: changed by somebody else" : wrong ? `not saved: ${wrong} field${wrong > 1 ? "s" : ""} need${wrong > 1 ? "" : "s"} another look` : "not saved";
      if (form) unsaid.set(item.part, words);
      state("unsaved", words);
      if (answer.trouble && !answer.clash) notice(answer.trouble, "error"); // a clash is told in its part
      stay();
      if (!waiting.size && form) typing(); // the answer speaks of what is on record: what is typed stays in view
    }
    for (const words of answer.said || []) notice(words, "warning");
    send();
  };
  class Refusal extends Error {}

  const typing = async () => {
    if (sheet.hasAttribute("data-closed")) return;
    if (preview) preview.abort();
    const mine = preview = new AbortController();
    const number = ++count;
    const body = [["parts", forms.map((f) => f.dataset.part).join(" ")]];
    for (const form of forms) for (const pair of bodyOf(form)) if (pair[0] !== "version" && pair[0] !== "entry" && !pair[0].startsWith("strike_")) body.push(pair);
    try {
      const response = await ask(sheet.dataset.preview, body, mine.signal);
      if (!response.ok || !(response.headers.get("Content-Type") || "").includes("json")) return;
      apply(await response.json(), number, undefined, new Map(body));
    } catch { /* an older question, or no connection: the save says so */ }
  };

  // --- what came back ---------------------------------------------------------------------------------------------------

  const halfTyped = new Map(); // field in a fragment -> its text, also while a newer fragment has no such field
  const put = (id, html) => {
    const old = $(id);
    if (!old) return;
    const focused = document.activeElement && old.contains(document.activeElement) ? document.activeElement : null;
    const focusId = focused && focused.id, from = focused && "selectionStart" in focused ? focused.selectionStart : null;
    for (const i of old.querySelectorAll("input:not([type=hidden]),textarea")) if (i.id) { if (i.value && i.value !== i.defaultValue) halfTyped.set(i.id, i.value); else halfTyped.delete(i.id); }
    const open = [...old.querySelectorAll("details")].map((d) => d.open);
    const names = [...old.querySelectorAll("details")].map((d) => d.querySelector("summary")?.textContent || "");
    old.innerHTML = html;
    old.querySelectorAll("details").forEach((d, i) => { if (d.id === "say") d.open = open[i] ?? d.open; else if (open[i] && names[i] === (d.querySelector("summary")?.textContent || "")) d.open = true; });
    for (const [ident, value] of halfTyped) { const field = $(ident); if (field && old.contains(field)) field.value = value; }
    const again = focusId && $(focusId);
    if (again) {
      again.focus({ preventScroll: true });
      if (from !== null && again.setSelectionRange) try { again.setSelectionRange(from, from); } catch { /* a field without a caret */ }
    }
    else if (focused) {
      const visible = [...old.querySelectorAll("button,a,input:not([type=hidden])")].filter((f) => f.offsetParent && !f.disabled);
      // The same button with the same words is where one was; changed words mean that its deed is done, and the work goes on.
      const same = visible.find((f) => f.name && f.name === focused.name && f.value === focused.value);
      if (same && same.textContent === focused.textContent) same.focus({ preventScroll: true });
      else if (same) goOnAfter(old);
      else goOnAfter(visible[0] || old);
    }
    if (window.htmx) htmx.process(old);
  };

  // A button that is held down stays where it is until it is let go: replaced in between, it would not be pressed.
  let pressed = null;
  const heldUp = new Map(); // fragment -> what it is replaced by then
  const press = (event) => { if (event.type === "pointerdown" ? !event.button : event.key === " ") pressed = event.target.closest?.("button,summary,a") || null; };
  const release = () => {
    if (!pressed && !heldUp.size) return; // where a menu took the letting go, the next one brings what waits
    pressed = null;
    setTimeout(() => { // after the click that this is
      const all = [...heldUp];
      heldUp.clear();
      for (const [id, html] of all) put(id, html);
    }, 0);
  };
  for (const type of ["pointerdown", "keydown"]) document.addEventListener(type, press, true);
  for (const type of ["pointerup", "pointercancel", "keyup"]) document.addEventListener(type, release, true);
  addEventListener("blur", release);

  const shownBy = {}; // fragment -> number of the question whose answer it shows: a preview has fewer of them than a save
  const apply = (answer, number, part, sent, item) => {
    let whole = true;
    for (const [id, html] of Object.entries(answer.fragments)) {
      if (number < (shownBy[id] || 0)) { whole = false; continue; }
      shownBy[id] = number;
      if (pressed && $(id)?.contains(pressed)) { heldUp.set(id, html); continue; }
      heldUp.delete(id);
      put(id, html);
    }
    const newest = number >= applied;
    if (newest) applied = number;
    for (const [path, what] of Object.entries(answer.fields)) {
      if (!dirty.has(path.split(".")[0]) && answer.state === "typing") continue;
      beside(path, what, answer.state, sent);
    }
    if (part) versions(answer, part);
    if (answer.dispense_state) { const chip = $("dispense-state"); if (chip && !chip.classList.contains(`is-${answer.dispense_state}`)) { chip.className = `state is-${answer.dispense_state}`; chip.textContent = { open: "being prepared", waiting: "waiting for signature", returned: "returned", signed: "signed", ordered: "ordered" }[answer.dispense_state] || answer.dispense_state; } }
    if (newest) say(answer.live);
    if (answer.clash && part) clash(part, answer.clash, answer.versions[part], item);
    else if (part && !stale.has(part)) formOf(part)?.querySelector(".clash")?.remove();
    return whole;
  };

  // Only the part that was saved takes its new version: another part that somebody changed meanwhile must still be found out.
  const versions = (answer, part) => {
    if (answer.state !== "saved") return;
    known[part] = answer.versions[part];
    const form = formOf(part);
    if (form && !stale.has(part)) form.elements.version.value = answer.versions[part];
    document.querySelectorAll(`[data-version="${part}"]`).forEach((i) => { i.value = answer.versions[part]; });
  };
  const stale = new Set();
  const known = Object.fromEntries([...document.querySelectorAll("details.sheet-part")].map((d) => [d.dataset.part, Number(d.dataset.read)]));

  const faulty = new Map(); // path -> the value that was refused
  // How a value is written comes back with the save; it goes into the field only where the field still holds what was sent.
  const beside = (path, what, how, sent) => {
    const id = `f-${path.replaceAll(".", "-")}`;
    const field = $(id), echo = $(`${id}-echo`), error = $(`${id}-error`);
    if (!field) return;
    const focused = document.activeElement === field;
    const written = field.matches("input:not([type=checkbox]):not([type=radio])") && field.dataset.kind !== "readings";
    if (written && sent?.has(field.name) && sent.get(field.name) !== field.value) return; // typed on since: the next answer speaks of that
    // what only a save finds out is not cleared by a preview while it stands there
    if (how === "typing" && !what.error && faulty.has(path) && faulty.get(path) === field.value) return;
    if (how === "refused" && what.error) faulty.set(path, field.value); else faulty.delete(path);
    if (error) { error.textContent = what.error || ""; error.hidden = !what.error; }
    if (field.matches("input,select,textarea")) {
      if (what.error) field.setAttribute("aria-invalid", "true"); else field.removeAttribute("aria-invalid");
      field.closest(".field")?.classList.toggle("bad", Boolean(what.error));
    }
    if (how === "saved" && !focused && what.shown !== undefined && field.tagName === "INPUT" && field.dataset.kind && field.dataset.kind !== "readings") { field.value = what.shown; }
    if (echo) { const same = what.echo && (what.echo === field.value || what.echo.split(" ")[0] === field.value); echo.textContent = what.echo && !same && field.value ? what.echo : ""; } // readings that were sent have left their field
    let theirs = field.closest(".field")?.querySelector(".theirs");
    if (what.theirs !== undefined) {
      if (!theirs) { theirs = document.createElement("span"); theirs.className = "theirs"; (echo || field).after(theirs); }
      theirs.textContent = `theirs: ${what.theirs}`;
    } else if (how === "saved") theirs?.remove();
  };

  // A deed that met somebody else's change is done again as the deed it was: a confirmation stays one.
  const mineAgain = (form, item) => {
    if (!item?.deed) { queue(form); return; }
    const body = item.part === "readings" ? item.body : [...bodyOf(form), item.deed];
    enqueue(`${item.part}:${item.deed.join("=")}`, { part: item.part, url: item.url, body, deed: item.deed, edit: edits.get(item.part) });
    store();
    send();
  };
  const clash = (part, words, version, item) => {
    const form = formOf(part);
    if (!form) return;
    stale.add(part);
    let box = form.querySelector(".clash");
    if (!box) {
      box = document.createElement("div");
      box.className = "clash";
      box.setAttribute("role", "alert");
      form.prepend(box);
    }
    box.replaceChildren();
    const line = document.createElement("p");
    line.textContent = `${words} Where you differ, theirs stands beside yours. Nothing of yours was saved yet.`;
    const mine = document.createElement("button"), theirs = document.createElement("button");
    mine.type = theirs.type = "button";
    mine.textContent = "Keep mine";
    theirs.textContent = "Take theirs";
    theirs.className = "plain";
    mine.addEventListener("click", () => { stale.delete(part); form.elements.version.value = known[part] = version; box.remove(); unsaid.delete(part); mineAgain(form, item); });
    theirs.addEventListener("click", () => { waiting.delete(part); dirty.delete(part); store(); leaving = true; location.hash = `part-${part}`; location.reload(); });
    const row = document.createElement("div");
    row.className = "actions";
    row.append(mine, theirs);
    box.append(line, row);
    form.closest("details").open = true;
  };

  const notice = (words, kind) => {
    const list = $("messages");
    if (!list) return;
    const item = document.createElement("li");
    item.className = `message ${kind}`;
    item.textContent = words;
    list.hidden = false;
    list.classList.add("over"); // in view wherever one is, and nothing moves
    list.append(item);
    while (list.children.length > 4) list.firstElementChild.remove();
    setTimeout(() => { item.remove(); if (!list.children.length) { list.hidden = true; list.classList.remove("over"); } }, 15000);
  };

  // --- when ---------------------------------------------------------------------------------------------------------------

  let typingTimer = 0;
  const changed = (field) => {
    const form = field.closest("form.sheet-form");
    if (!form || field.hasAttribute("data-skip")) return;
    touch(form.dataset.part);
    clearTimeout(typingTimer);
    if (form.dataset.part === "readings") {
      if (!readingFields().some((f) => f.value.trim())) dirty.delete("readings");
      if (field.dataset.kind !== "readings") { typing(); return; }
      if (!field.value.trim()) return;
    }
    // a reading is added and overwrites nothing: it needs no version
    if (stale.has(form.dataset.part) && form.dataset.part !== "readings") { store(); return; }
    // at once: what is typed into the next field by then is not in it, and no other change can take its place
    queue(form, null, form.dataset.part === "readings" && !placedIn.has(field.name) ? heldBack() : []);
  };

  document.addEventListener("input", (event) => {
    const form = event.target.closest?.("form.sheet-form");
    if (!form || event.target.hasAttribute("data-skip")) return;
    touch(form.dataset.part);
    if (saving.dataset.state === "saved") state("unsaved", "typing");
    clearTimeout(typingTimer);
    typingTimer = setTimeout(typing, 140);
    store();
  });
  document.addEventListener("change", (event) => {
    const field = event.target;
    if (field.name === "lens.compensation") $("ordered-powers").toggleAttribute("data-idle", field.value === "none");
    if (field.name === "lens.design") madeIn(true);
    if (field.name === "lens.design" || field.name === "lens.coating" || field.name === "lens.tint") madeWith();
    if (field.name === "readings.height_method") {
      const reference = { marked_lens: "datum", clip_scale: "visible_rim", rule: "visible_rim", levelled_gauge: "box", target_gauge: "visible_rim", photograph: "box" }[field.value];
      if (reference) document.getElementsByName("readings.reference")[0].value = reference;
    }
    changed(field);
  });
  // Only materials the design is made in can be chosen; a change of design keeps the material where it can.
  const madeIn = (choose) => {
    const design = $("f-lens-design"), material = $("f-lens-material");
    const made = (design.selectedOptions[0]?.dataset.made || "").split(" ").filter(Boolean);
    for (const option of material.options) option.disabled = option.hidden = Boolean(design.value && option.value && !made.includes(option.value));
    if (choose && made.length && !made.includes(material.value)) material.value = made[0];
    if (choose) $("pupil-line").hidden = !design.selectedOptions[0]?.closest("optgroup")?.hasAttribute("data-segment");
    if (choose && !design.value) material.value = "";
  };
  madeIn(false);
  // Only coatings and tints the design is made with can be chosen, where the catalogue says so. One that is chosen already stays and says so.
  const NOT_WITH = " · not made with this design";
  const madeWith = () => {
    const design = $("f-lens-design"), set = design.dataset.with.split("|")[design.selectedOptions[0]?.dataset.with];
    const made = (set || "").split(" ").filter(Boolean);
    for (const list of [$("f-lens-coating"), $("f-lens-tint")]) for (const option of list.options) {
      const not = Boolean(made.length && option.dataset.code && !made.includes(option.dataset.code));
      option.disabled = option.hidden = not && !option.selected;
      option.textContent = option.textContent.replace(NOT_WITH, "") + (not ? NOT_WITH : "");
    }
  };
  madeWith();
  // Stepping with Up and Down makes no change event until the field is left; leaving it then saves.
  document.addEventListener("focusout", (event) => {
    const form = event.target.closest?.("form.sheet-form");
    if (form && dirty.has(form.dataset.part) && event.target.dataset.kind && waiting.get(form.dataset.part)?.edit !== edits.get(form.dataset.part)) {
      if (form.dataset.part === "readings" && !event.target.value.trim()) return;
      changed(event.target);
    }
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.matches("form.sheet-form") || form.matches("form.reason")) {
      event.preventDefault();
      if (form.matches("form.reason")) { const typed = form.querySelector("[name=reason]"); enqueue(`reason:${form.elements.finding.value}`, { part: "review", url: form.getAttribute("action"), body: bodyOf(form), deed: ["finding", form.elements.finding.value] }); typed.defaultValue = typed.value; halfTyped.delete(typed.id); store(); send(); return; }
      const deed = event.submitter && event.submitter.name ? event.submitter : null;
      if (deed?.name === "strike") { const why = deed.closest("details").querySelector(".strike input"); if (!why.value.trim()) { why.focus(); notice("Say why first, then leave it out.", "warning"); return; } }
      const held = form.dataset.part === "readings" && deed ? heldBack() : []; // a deed keeps no point that was only placed
      if (form.dataset.part === "readings" && deed && readingFields().some((f) => f.value.trim() && !(held.length && placedIn.has(f.name)))) queue(form, null, held);
      queue(form, deed, held);
    } else if (sheet.contains(form)) { leaving = true; } // it comes back to this sheet, and what is kept with it
  }, true);

  addEventListener("online", () => send());
  setInterval(() => { if (waiting.size && !sendingNow) send(); }, 8000);
  const unsent = () => forms.filter((f) => { const part = f.dataset.part; return dirty.has(part) && (part !== "readings" || readingFields().some((i) => i.value.trim())); });
  addEventListener("beforeunload", (event) => { if (!leaving && (waiting.size || sendingNow || unsent().length)) event.preventDefault(); });
  // Shown again by the browser as it was left, perhaps to somebody else: asked anew.
  addEventListener("pageshow", (event) => { leaving = false; if (event.persisted) { leaving = true; location.reload(); } });

  // A link that leads away waits for what is being saved, so that the next page (an order!) rests on it. What cannot be saved keeps
  // the page here and says so; the same link again goes.
  let goingTo = "", refusedTo = "";
  const stay = () => { if (goingTo) { refusedTo = goingTo; goingTo = ""; } };
  const leave = () => { if (!goingTo) return; if (unsent().length) { stay(); return; } leaving = true; location.href = goingTo; };
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[href]");
    if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey || link.target || link.hasAttribute("download") || link.matches("a.fig, a[data-guide]")) return;
    const to = new URL(link.href);
    if (to.origin !== location.origin || (to.pathname === location.pathname && to.search === location.search && to.hash)) return;
    if (refusedTo === link.href) { refusedTo = ""; return; }
    for (const form of unsent()) if (!waiting.has(form.dataset.part) && !stale.has(form.dataset.part) && !(form.dataset.part === "readings" && before)) queue(form);
    if (!waiting.size && !sendingNow) return;
    event.preventDefault();
    goingTo = link.href;
    say("Saving first.");
    send();
  });

  // What an earlier visit could not send is put back where it was typed, and sent; what was still being typed is put back and waits
  // for the field to be left. The version is the one it was read at: if somebody changed the part meanwhile, both are shown.
  const restore = () => {
    const closed = sheet.hasAttribute("data-closed"), lost = new Set();
    let others = false;
    for (const key of everyKey().filter((k) => k.startsWith(KEPT))) {
      const mine = Object.entries(kept(key)).filter(([, item]) => Date.now() - item.at < LONGEST);
      // too old, or from before it was known whose it is
      if (!mine.length || !/\.\d+$/.test(key)) localStorage.removeItem(key);
      else if (key !== KEY && key.startsWith(OURS)) others = true;
    }
    if (others) notice("Somebody else typed here on this device and it was not saved. It comes back when they sign in and open this dispense.", "warning");
    const back = Object.values(kept()).filter((item) => Date.now() - item.at < LONGEST).sort((a, b) => a.at - b.at);
    const read = new Set();
    for (const { slot, part, url, body, deed, draft, at } of back) {
      const form = formOf(part);
      if (closed || (!form && part !== "review")) { lost.add(part === "review" ? "a reason" : part); continue; }
      if (form && !read.has(part)) { read.add(part); form.elements.version.value = body.find(([n]) => n === "version")?.[1] ?? form.elements.version.value; }
      const item = { part, url, body, deed, at };
      if (part === "readings") {
        for (const [name, value] of body) if (value.trim() && form.querySelector(`[data-kind="readings"][name="${name}"]`)) sentReadings.push([item, name, value]);
      } else if (form && !deed) {
        const names = new Set(body.map(([n]) => n));
        for (const field of form.elements) if (field.name && names.has(field.name) && !["hidden", "checkbox", "radio", "submit"].includes(field.type)) field.value = body.find(([n]) => n === field.name)[1];
        for (const field of form.querySelectorAll("input[type=checkbox],input[type=radio]")) field.checked = body.some(([n, v]) => n === field.name && v === field.value);
        form.closest("details").open = true;
        touch(part);
        item.edit = edits.get(part);
      }
      if (!draft) waiting.set(waiting.has(slot) ? `${slot}:${++count}` : slot, item);
    }
    if (lost.size) notice(`Typed here before and never saved: ${[...lost].join(", ")}. ${closed ? "This dispense takes no changes now; what was typed stays on this device for twelve hours." : "There is no such part now."}`, "error");
    if (closed) return;
    const compensation = document.querySelector('[name="lens.compensation"]:checked');
    if (compensation) $("ordered-powers").toggleAttribute("data-idle", compensation.value === "none");
    madeIn(false);
    madeWith();
    keep({});
    store();
    if (waiting.size) { state("unsaved", "not saved yet"); say("Kept from before: being saved now."); send(); }
    else if (dirty.size) { state("unsaved", "not saved yet: typed before"); say("What was being typed before is back, and not saved yet."); typing(); }
  };
  restore();

  // --- two people on one sheet ----------------------------------------------------------------------------------------------

  const presence = $("presence");
  const look = async () => {
    if (document.hidden || !presence || !sheet.dataset.presence) return;
    const here = document.activeElement?.closest?.("details.sheet-part")?.dataset.part || "";
    try {
      const response = await ask(sheet.dataset.presence, [["part", here]]);
      if (!(response.headers.get("Content-Type") || "").includes("json")) return;
      const answer = await response.json();
      presence.hidden = !answer.others.length;
      presence.textContent = answer.others.map((o) => o.part ? `${o.name} is on ${o.part}` : `${o.name} is here too`).join(" · ");
      for (const [part, version] of Object.entries(answer.versions)) {
        if (version === known[part] || dirty.has(part) || waiting.has(part)) continue;
        const head = $(`head-${part}`);
        if (head && !head.querySelector(".newer")) {
          const link = document.createElement("a");
          link.className = "newer";
          link.href = `?#part-${part}`;
          link.textContent = `changed by ${answer.by || "somebody"}: show`;
          link.addEventListener("click", (event) => { event.preventDefault(); leaving = true; location.hash = `part-${part}`; location.reload(); });
          head.append(link);
        }
      }
    } catch { /* no connection: the next look will tell */ }
  };
  setInterval(look, 10000);
  look();

  // --- places ----------------------------------------------------------------------------------------------------------------

  const narrow = matchMedia("(max-width:68.75rem)");
  const fold = () => { const list = $("say"); if (list) list.open = !narrow.matches; };
  if (narrow.matches) fold();
  narrow.addEventListener("change", fold); // a tablet that is turned has its list beside the work again
  // A part that is complete folds when work goes on in another, and what is under the finger stays where it is.
  let here = null;
  const foldLeft = (to) => {
    const left = here, part = to?.closest?.("details.sheet-part");
    if (!part || part === left) return;
    here = part;
    if (!left || !narrow.matches || sheet.hasAttribute("data-closed") || dirty.has(left.dataset.part) || left.querySelector(".missing, .bad, .clash, .is-stop")) return;
    const before = part.getBoundingClientRect().top;
    left.open = false;
    if (to === arrived) part.scrollIntoView({ block: "start", behavior: "instant" });
    else scrollBy({ top: part.getBoundingClientRect().top - before, behavior: "instant" });
  };
  document.addEventListener("focusin", (event) => { const to = event.target; setTimeout(() => { if (document.activeElement === to) foldLeft(to); }, 60); });
  const aside = document.querySelector("#sheet > aside");
  // Far apart, because shrinking moves the page by itself: one threshold alone would flutter.
  const shrink = () => { const y = scrollY, small = aside.classList.contains("shrunk"); if (small ? y < 40 : y > 260) aside.classList.toggle("shrunk"); };
  addEventListener("scroll", shrink, { passive: true });
  shrink();
  const following = sessionStorage.getItem("datumline.next");
  sessionStorage.removeItem("datumline.next");
  const land = () => {
    if (!location.hash.startsWith("#part-")) return;
    const part = $(following ? `part-${following}` : location.hash.slice(1));
    if (!part || !part.matches("details")) return;
    part.open = true;
    part.querySelector("form.sheet-form input:not([type=hidden]), form.sheet-form select, input[type=search]")?.focus({ preventScroll: true });
    part.scrollIntoView({ block: "start" });
  };
  // At once, so that quick hands find the field there. The browser's own going to the part comes later, with a frame of its own, and
  // would take the focus away again: it is given back in the same breath, until somebody points elsewhere.
  let landed = location.hash.startsWith("#part-");
  land();
  const stayLanded = () => { if (landed && document.activeElement === document.body) land(); };
  document.addEventListener("focusout", (event) => { if (landed && !event.relatedTarget && document.hasFocus()) queueMicrotask(stayLanded); });
  document.addEventListener("pointerdown", () => { landed = false; }, { capture: true, once: true });
  addEventListener("load", () => { setTimeout(stayLanded, 0); setTimeout(() => { landed = false; }, 1000); });

  // --- the picture: points that are dragged, or moved with the arrows, enter the reading fields ---------------------------
  // The fields stay the truth: a drag types into them, and nothing is on record before it is kept.

  const stage = $("stage"), handles = $("handles"), placed = $("placed");
  const EYE = { right: "R", left: "L" };
  let placing = null;
  const svgOf = () => stage.querySelector("svg.pair");
  const facts = () => $("pair-facts")?.dataset;
  const middle = (svg, name) => { const el = svg.querySelector(`[data-part="${name}"]`); if (!el) return null; const b = el.getBBox(); return { x: b.x + b.width / 2, y: b.y + b.height / 2 }; };
  const named = (name) => document.getElementsByName(name)[0];
  // A point that was placed lies where it was put, also while the answer that draws it there is on its way.
  const typedAs = (name) => { const text = placedIn.has(name) ? named(name)?.value.trim() : ""; return /^\d+([.]\d+)?$/.test(text) ? Number(text) : null; };
  const grips = () => {
    const f = facts(), svg = svgOf();
    if (!f || !svg) return [];
    const out = [];
    for (const eye of ["right", "left"]) {
      const side = eye === "right" ? -1 : 1, far = (side * f.c) / 2;
      const fitting = middle(svg, `${eye}.fitting`), pupil = middle(svg, `${eye}.pupil`);
      const add = (what, at, height, pd) => {
        const x = pd && typedAs(`readings.${pd}.${eye}`), up = typedAs(`readings.${height}.${eye}`);
        out.push({ eye, what, at: { x: pd && x !== null ? side * x : at.x, y: up === null ? at.y : f.b / 2 - up }, height, pd });
      };
      if (f.segment !== undefined) add("segment top", fitting || { x: far, y: 3 }, "height", "");
      add("pupil", pupil || fitting || { x: far, y: f.segment === undefined ? 0 : -4 }, f.segment === undefined ? "height" : "pupil", f.pd);
    }
    return out;
  };
  const draw = () => {
    const svg = svgOf(), list = grips();
    if (placing?.held) return;
    $("show-ghost").hidden = facts()?.ghost === undefined;
    const focused = document.activeElement?.closest?.("#handles button")?.dataset.key;
    handles.replaceChildren();
    const matrix = svg?.getScreenCTM();
    if (!matrix) return;
    for (const point of list) {
      const handle = document.createElement("button"), key = `${point.eye}.${point.what}`;
      handle.type = "button";
      handle.className = "handle";
      handle.dataset.key = key;
      handle.dataset.eye = point.eye;
      handle.point = point;
      handle.setAttribute("aria-label", `${point.eye} ${point.what}: ${words(point)}; arrows move it`);
      move(handle, point.at, matrix);
      handles.append(handle);
      if (focused === key) handle.focus({ preventScroll: true });
    }
  };
  const move = (handle, at, matrix) => {
    const frame = stage.getBoundingClientRect();
    handle.style.left = `${matrix.a * at.x + matrix.e - frame.left}px`;
    handle.style.top = `${matrix.d * at.y + matrix.f - frame.top}px`;
  };
  const half = (value) => Math.round(value * 2) / 2;
  const figures = (point) => ({ pd: half(Math.abs(point.at.x)), height: half(facts().b / 2 - point.at.y) });
  const words = (point) => { const f = figures(point); return `${point.pd ? `PD ${f.pd.toFixed(1)}, ` : ""}height ${f.height.toFixed(1)} in the box`; };
  const METHOD = ["readings.pd_method", "readings.height_method", "readings.reference"];
  // What was placed is typed: by no instrument, heights from the lower box tangent. The choices come back when it is kept or undone.
  const enter = (point) => {
    const f = figures(point);
    if (!before) before = METHOD.map((name) => [name, named(name).value]);
    for (const [name, value] of [["readings.pd_method", "other"], ["readings.height_method", "other"], ["readings.reference", "box"]]) named(name).value = value;
    const type = (name, figure) => { named(name).value = figure.toFixed(1); placedIn.add(name); };
    if (point.pd) type(`readings.${point.pd}.${point.eye}`, f.pd);
    const height = named(`readings.${point.height}.${point.eye}`);
    type(height.name, f.height);
    $("placed-words").textContent = `${EYE[point.eye]} ${point.what}: ${words(point)}`;
    placed.hidden = false;
    say($("placed-words").textContent);
    height.dispatchEvent(new Event("input", { bubbles: true }));
  };
  $("placed-keep").addEventListener("click", () => { const typed = readingFields().find((f) => f.value.trim()); if (typed) { clearTimeout(typingTimer); queue(formOf("readings")); } });
  $("placed-undo").addEventListener("click", () => { for (const f of readingFields()) if (placedIn.has(f.name)) f.value = ""; if (!readingFields().some((f) => f.value.trim())) dirty.delete("readings"); giveBack(); store(); if (!dirty.size && !waiting.size) state("saved", "saved"); typing(); });
  handles.addEventListener("pointerdown", (event) => {
    const handle = event.target.closest(".handle");
    if (!handle || event.button) return;
    event.preventDefault();
    handle.focus({ preventScroll: true });
    handle.setPointerCapture(event.pointerId);
    const box = handle.getBoundingClientRect();
    placing = { handle, held: true, moved: false, dx: event.clientX - (box.left + box.width / 2), dy: event.clientY - (box.top + box.height / 2) };
    handle.classList.add("held");
  });
  handles.addEventListener("pointermove", (event) => {
    if (!placing?.held) return;
    const { handle, dx, dy } = placing, point = handle.point;
    const to = svgOf()?.getScreenCTM(); // as it lies now: the page may have scrolled, a live answer drawn it anew
    if (!to || !facts()) return;
    const at = new DOMPoint(event.clientX - dx, event.clientY - dy).matrixTransform(to.inverse());
    const side = point.eye === "right" ? -1 : 1, f = facts();
    const x = point.pd ? side * Math.min(50, Math.max(12, half(side * at.x))) : point.at.x;
    const y = f.b / 2 - Math.min(60, Math.max(0, half(f.b / 2 - at.y)));
    placing.moved ||= Math.abs(x - point.at.x) + Math.abs(y - point.at.y) > 0.1;
    point.at = { x, y };
    move(handle, point.at, to);
    if (placing.moved) { $("placed-words").textContent = `${EYE[point.eye]} ${point.what}: ${words(point)}`; placed.hidden = false; }
  });
  const letGo = () => {
    if (!placing?.held) return;
    const { handle, moved } = placing;
    placing = null;
    handle.classList.remove("held");
    if (moved) enter(handle.point); else draw();
  };
  handles.addEventListener("pointerup", letGo);
  handles.addEventListener("pointercancel", letGo);
  handles.addEventListener("keydown", (event) => {
    const handle = event.target.closest(".handle"), step = event.shiftKey ? 2 : 0.5;
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (!handle || !by) return;
    event.preventDefault();
    const point = handle.point;
    point.at = { x: point.pd ? point.at.x + by[0] : point.at.x, y: point.at.y + by[1] };
    move(handle, point.at, svgOf().getScreenCTM());
    enter(point);
  });
  handles.addEventListener("keyup", (event) => { if (event.key === "Enter" && !placed.hidden) $("placed-keep").focus(); });
  new ResizeObserver(draw).observe($("picture"));
  new MutationObserver(draw).observe($("picture"), { childList: true });

  const toggle = (button, on, name) => { button.setAttribute("aria-pressed", String(on)); for (const place of [$("plan"), large]) place.classList.toggle(name, name === "no-before" ? !on : on); };
  const large = document.createElement("dialog");
  large.className = "large";
  large.setAttribute("aria-label", "Picture, enlarged");
  document.body.append(large);
  const tools = document.querySelector(".plan-tools"), home = stage.parentElement, next = $("figures");
  const enlarge = () => {
    if (large.open) { large.close(); return; }
    large.append(stage, tools, placed);
    $("enlarge").textContent = "Smaller";
    for (const id of ["closer", "wider"]) $(id).hidden = false;
    large.showModal();
    draw();
  };

  // Closer: part of the drawing fills the picture. Two fingers, the wheel with Ctrl, + and −, or the buttons; 0 shows all of it again.
  const view = { by: 1, x: 0, y: 0 };
  const within = (value, least, most) => Math.min(most, Math.max(least, value));
  const whole = (svg) => (svg.dataset.whole ||= svg.getAttribute("viewBox")).split(" ").map(Number);
  const show = () => {
    const svg = svgOf();
    if (!svg) return;
    const [x, y, w, h] = whole(svg), wide = w / view.by, high = h / view.by;
    view.x = within(view.x, x + wide / 2, x + w - wide / 2);
    view.y = within(view.y, y + high / 2, y + h - high / 2);
    svg.setAttribute("viewBox", `${view.x - wide / 2} ${view.y - high / 2} ${wide} ${high}`);
    stage.classList.toggle("close", view.by > 1);
    $("wider").disabled = view.by === 1;
    draw();
  };
  const under = (x, y) => new DOMPoint(x, y).matrixTransform(svgOf().getScreenCTM().inverse());
  const closer = (by, x, y) => {
    const svg = svgOf();
    if (!svg) return;
    if (view.by === 1) { const [left, top, w, h] = whole(svg); view.x = left + w / 2; view.y = top + h / 2; }
    const box = svg.getBoundingClientRect(), at = under(x ?? box.left + box.width / 2, y ?? box.top + box.height / 2);
    const then = within(view.by * by, 1, 8), ratio = view.by / then;
    view.by = then;
    view.x = at.x + (view.x - at.x) * ratio;
    view.y = at.y + (view.y - at.y) * ratio;
    show();
  };
  const shift = (dx, dy) => { const m = svgOf().getScreenCTM(); view.x -= dx / m.a; view.y -= dy / m.d; show(); };
  const all = () => { view.by = 1; const svg = svgOf(); if (svg) { const [x, y, w, h] = whole(svg); view.x = x + w / 2; view.y = y + h / 2; show(); } };
  $("closer").addEventListener("click", () => closer(1.5));
  $("wider").addEventListener("click", () => closer(1 / 1.5));
  const fingers = new Map();
  let apart = 0;
  const spread = () => { const [a, b] = [...fingers.values()]; return { d: Math.hypot(a.x - b.x, a.y - b.y), x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 }; };
  const lift = (event) => { fingers.delete(event.pointerId); apart = 0; };
  stage.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse") return;
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size !== 2) return;
    if (placing) { placing.handle.classList.remove("held"); placing = null; draw(); } // a second finger: no placing
    apart = spread().d;
  }, true);
  stage.addEventListener("pointermove", (event) => {
    const was = fingers.get(event.pointerId);
    if (!was) return;
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size === 2 && apart) {
      const now = spread();
      if (!large.open) { if (now.d > apart * 1.15) { fingers.clear(); apart = 0; enlarge(); } return; }
      closer(now.d / apart, now.x, now.y);
      apart = now.d;
    } else if (fingers.size === 1 && large.open && view.by > 1 && !placing) shift(event.clientX - was.x, event.clientY - was.y);
  }, true);
  for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, lift, true);
  large.addEventListener("wheel", (event) => { if (event.ctrlKey) { event.preventDefault(); closer(event.deltaY < 0 ? 1.2 : 1 / 1.2, event.clientX, event.clientY); } }, { passive: false });
  large.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.closest("input")) return;
    const by = { "+": 1.5, "=": 1.5, "-": 1 / 1.5 }[event.key], pan = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[event.key];
    if (by) closer(by); else if (event.key === "0") all(); else if (pan && view.by > 1 && !event.target.closest(".handle")) shift(...pan); else return;
    event.preventDefault();
  });
  new MutationObserver(() => { if (large.open && view.by > 1) show(); }).observe($("picture"), { childList: true });
  large.addEventListener("close", () => { all(); fingers.clear(); for (const id of ["closer", "wider"]) $(id).hidden = true; for (const part of [stage, tools, placed]) home.insertBefore(part, next); $("enlarge").textContent = "Enlarge"; $("enlarge").focus({ preventScroll: true }); draw(); });
  $("enlarge").addEventListener("click", enlarge);
  document.addEventListener("keydown", (event) => { if (event.altKey && event.code === "KeyP") { event.preventDefault(); enlarge(); } });
  $("show-ghost").addEventListener("click", (event) => toggle(event.currentTarget, event.currentTarget.getAttribute("aria-pressed") !== "true", "with-ghost"));
  $("show-before").addEventListener("click", (event) => toggle(event.currentTarget, event.currentTarget.getAttribute("aria-pressed") !== "true", "no-before"));
  draw();

  // Set-up points: ticked once a dispense, folded when all are.
  const points = $("set-up");
  if (points) {
    const ticks = [...points.querySelectorAll("[data-tick]")];
    const TICKS = `datumline.setup.${sheet.dataset.reference}.${sheet.dataset.person}`; // of this client, by this person
    const done = new Set((sessionStorage.getItem(TICKS) || "").split(" "));
    for (const t of ticks) t.checked = done.has(t.dataset.tick);
    const words = () => { const n = ticks.filter((t) => t.checked).length; points.querySelector("summary").textContent = n === ticks.length ? "Before the first reading: all done" : `Before the first reading${n ? `: ${n} of ${ticks.length}` : ""}`; };
    words();
    points.addEventListener("change", () => { sessionStorage.setItem(TICKS, ticks.filter((t) => t.checked).map((t) => t.dataset.tick).join(" ")); words(); if (ticks.every((t) => t.checked)) points.open = false; });
  }
  document.addEventListener("click", async (event) => {
    const link = event.target.closest("a[data-guide]");
    if (!link || event.ctrlKey || event.metaKey) return;
    const here = $("guide-here");
    event.preventDefault();
    for (const other of document.querySelectorAll("a[data-guide][aria-expanded]")) other.removeAttribute("aria-expanded");
    if (here.dataset.of === link.href) { here.replaceChildren(); here.dataset.of = ""; return; }
    try {
      const response = await fetch(link.dataset.guide, { credentials: "same-origin" });
      if (!response.ok || response.redirected) throw new Error();
      here.innerHTML = await response.text();
      here.dataset.of = link.href;
      link.setAttribute("aria-expanded", "true");
    } catch { location.href = link.href; }
  });

  // A figure opens its working in place.
  document.addEventListener("click", async (event) => {
    const link = event.target.closest("a.fig");
    if (!link || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const cell = link.closest("tr"), next = cell.nextElementSibling;
    if (next && next.classList.contains("working-row")) { const same = next.dataset.of === link.href; next.remove(); if (same) return; }
    try {
      const response = await fetch(link.href, { headers: { "HX-Request": "true" }, credentials: "same-origin" });
      if (!response.ok || response.redirected) throw new Error();
      const row = document.createElement("tr"), td = document.createElement("td");
      row.className = "working-row";
      row.dataset.of = link.href;
      td.colSpan = 3;
      td.innerHTML = await response.text();
      row.append(td);
      cell.after(row);
    } catch { location.href = link.href; }
  });
})();
