// Small helps on every page. Everything works without them.
(() => {
  "use strict";
  const root = document.documentElement;
  const live = () => document.getElementById("live");
  const say = (words) => { const p = live(); if (p) p.textContent = words; };

  // No connection: say so, and what that means for what was typed.
  const connection = () => {
    if (navigator.onLine) { delete root.dataset.offline; } else { root.dataset.offline = ""; }
  };
  addEventListener("online", () => { connection(); say("Connected again."); });
  addEventListener("offline", connection);
  connection();

  // After a refused form the summary is where reading starts, even when the address still names a part of the page.
  addEventListener("load", () => setTimeout(() => document.getElementById("error-summary")?.focus(), 0));

  // What a sheet kept on this device and nobody came back for does not stay on it.
  try {
    for (const key of Object.keys(localStorage)) {
      if (key.startsWith("datumline.sheet.") && !Object.values(JSON.parse(localStorage.getItem(key)) || {}).some((item) => Date.now() - item.at < 12 * 3600e3)) localStorage.removeItem(key);
    }
  } catch { /* no storage: nothing is kept there */ }

  // A form that was open for a while is sent only when whoever typed it is still signed in: else it stays as it is, and says so. Who has
  // signed in again meanwhile, in another tab, has a new token, which the form takes over.
  const opened = Date.now(), AWHILE = 60e3;
  const whoIn = (page) => page.querySelector(".who summary")?.textContent.trim();
  const stay = (form, words, link) => {
    let p = form.querySelector(".signed-out");
    if (!p) { p = document.createElement("p"); p.className = "signed-out error"; p.setAttribute("role", "alert"); form.append(p); }
    p.textContent = `${words} `;
    if (!link) return;
    const a = document.createElement("a");
    a.href = "/sign-in/"; a.target = "_blank"; a.rel = "noopener"; a.textContent = "Sign in (another tab)";
    p.append(a);
  };
  const ask = async (form, button) => {
    button?.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(location.href, { credentials: "same-origin" });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (new URL(answer.url).pathname.startsWith("/sign-in/")) return stay(form, "You are signed out. What you typed stays here, not saved yet. Sign in, come back to this page, and save again.", true);
      const now = whoIn(page); // a page that is not open to them says who they are too
      if ((answer.ok || now) && now !== whoIn(document)) return stay(form, `Somebody else is signed in here now, or at another branch${now ? `: ${now}` : ""}. Nothing was saved: it would be under that name.`, false);
      form.querySelector(".signed-out")?.remove();
      const fresh = page.querySelector("[name=csrfmiddlewaretoken]"), token = form.querySelector("[name=csrfmiddlewaretoken]");
      if (fresh && token) token.value = fresh.value;
    } catch { return stay(form, "No connection. What you typed stays here, not saved yet.", false); } finally { button?.removeAttribute("aria-busy"); }
    form.dataset.asked = "1";
    form.requestSubmit(button);
  };
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.hasAttribute("data-keep") || Date.now() - opened < AWHILE) return;
    if (form.dataset.asked) { delete form.dataset.asked; return; }
    event.preventDefault();
    event.stopImmediatePropagation();
    if (!form.querySelector("button[aria-busy]")) ask(form, event.submitter || form.querySelector("button[type=submit]"));
  });

  // A form sent twice by an impatient finger is sent once; and a form left half typed asks before it is lost.
  let leaving = false;
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.hasAttribute("hx-post") || form.method === "get") return;
    if (form.dataset.sent) { event.preventDefault(); return; }
    form.dataset.sent = "1";
    leaving = true;
    (event.submitter || form.querySelector("button"))?.setAttribute("aria-busy", "true");
  });
  addEventListener("pageshow", () => {
    leaving = false;
    document.querySelectorAll("form[data-sent]").forEach((f) => delete f.dataset.sent);
    document.querySelectorAll("button[aria-busy]").forEach((b) => b.removeAttribute("aria-busy"));
  });
  document.addEventListener("input", (event) => {
    const form = event.target.closest("form[data-keep]");
    if (form) form.dataset.typed = "1";
  });
  addEventListener("beforeunload", (event) => {
    if (!leaving && document.querySelector("form[data-keep][data-typed]")) event.preventDefault();
  });

  // An answer that did not come: the page says that nothing was saved.
  const failed = (words) => {
    document.querySelectorAll(".saving").forEach((s) => { s.dataset.state = navigator.onLine ? "unsaved" : "offline"; s.textContent = "not saved yet"; });
    say(words);
  };
  document.addEventListener("htmx:sendError", () => failed("No connection: not saved yet."));
  document.addEventListener("htmx:timeout", () => failed("No answer: not saved yet."));
  document.addEventListener("htmx:responseError", (event) => failed(event.detail.xhr.status === 403 ? "Not saved: sign in again, or ask somebody who may." : "The server could not answer: not saved yet."));

  // A page that begins with a search begins in it, where a keyboard is at hand; under a finger the keys would cover the page.
  const first = document.querySelector("main form[role=search]:is([method=post],[data-begin]) input[type=search]");
  if (first && !first.value && !location.hash && matchMedia("(pointer:fine)").matches) first.focus({ preventScroll: true });

  // A menu closes when one goes elsewhere or presses Escape.
  document.addEventListener("click", (event) => {
    document.querySelectorAll(".who details[open]").forEach((d) => { if (!d.contains(event.target)) d.open = false; });
  });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    document.querySelectorAll(".who details[open]").forEach((d) => { d.open = false; d.querySelector("summary").focus(); });
  });
})();
