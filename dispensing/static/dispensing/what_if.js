// What if: sliders beside the fields, an answer while one moves, and an address that can be shared. Without it the button does the same.
(() => {
  "use strict";
  document.documentElement.classList.add("js");
  const form = document.getElementById("what-if-form");
  if (!form) return;
  const moved = () => form.dispatchEvent(new CustomEvent("moved", { bubbles: true }));
  const slider = (id) => form.querySelector(`input[type=range][data-for="${id}"]`);

  form.addEventListener("input", (event) => {
    const from = event.target;
    if (from.type === "range") {
      document.getElementById(from.dataset.for).value = from.value;
    } else if (slider(from.id)) {
      const value = Number(from.value.replace(",", ".").replace("−", "-"));
      if (from.value.trim() && Number.isFinite(value)) slider(from.id).value = value;
    }
    moved();
  });

  // Up and down step a field as its slider does.
  form.addEventListener("keydown", (event) => {
    const field = event.target, by = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!by || field.type === "range" || !slider(field.id)) return;
    const value = Number((field.value || slider(field.id).value).replace(",", ".").replace("−", "-"));
    if (!Number.isFinite(value)) return;
    event.preventDefault();
    field.value = String(Math.round((value + by * Number(slider(field.id).step)) * 100) / 100);
    slider(field.id).value = field.value;
    moved();
  });

  // What came back: errors go beside their fields, the address says what is moved, the live line says the outcome.
  document.addEventListener("htmx:afterSwap", () => {
    const outcome = document.getElementById("outcome");
    if (!outcome) return;
    const errors = Object.fromEntries([...outcome.querySelectorAll(".field-errors [data-field]")].map((e) => [e.dataset.field, e.textContent]));
    form.querySelectorAll(".handle .box input").forEach((field) => {
      const place = document.getElementById(`${field.id}-error`), words = errors[field.id] || "";
      place.textContent = words;
      place.hidden = !words;
      field.closest(".handle").classList.toggle("bad", Boolean(words));
      const parts = [`${field.id}-unit`, `${field.id}-was`];
      if (words) { field.setAttribute("aria-invalid", "true"); parts.push(`${field.id}-error`); } else field.removeAttribute("aria-invalid");
      field.setAttribute("aria-describedby", parts.join(" "));
    });
    history.replaceState(null, "", outcome.dataset.share && outcome.dataset.share !== "?" ? outcome.dataset.share : location.pathname);
    const live = document.getElementById("live");
    if (live) live.textContent = outcome.dataset.live;
  });
})();
