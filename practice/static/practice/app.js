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

  // A menu closes when one goes elsewhere or presses Escape.
  document.addEventListener("click", (event) => {
    document.querySelectorAll(".who details[open]").forEach((d) => { if (!d.contains(event.target)) d.open = false; });
  });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    document.querySelectorAll(".who details[open]").forEach((d) => { d.open = false; d.querySelector("summary").focus(); });
  });
})();
