// Ticks of the outbox: how many there are, all of a page at once, a whole stretch with the shift key, up and down by the arrows.
(() => {
  "use strict";
  const form = document.querySelector("form[data-picks]");
  if (!form) return;
  const boxes = [...form.querySelectorAll("input[name=order]")];
  const words = form.querySelector("[data-picked]");
  const all = document.createElement("input");
  all.type = "checkbox";
  all.setAttribute("aria-label", "All of this page");
  const under = document.createElement("label"); // a finger needs more than the box
  under.className = "tick";
  under.append(all);
  form.querySelector("thead .pick").replaceChildren(under);
  let last = null;
  const tell = () => {
    const count = boxes.filter((b) => b.checked).length;
    all.checked = count === boxes.length;
    all.indeterminate = count > 0 && count < boxes.length;
    words.textContent = count ? `${count} chosen` : "Tick the orders to print.";
  };
  all.addEventListener("change", () => { boxes.forEach((b) => { b.checked = all.checked; }); tell(); });
  boxes.forEach((box, i) => {
    box.addEventListener("click", (event) => {
      if (event.shiftKey && last !== null) {
        const [from, to] = [Math.min(last, i), Math.max(last, i)];
        boxes.slice(from, to + 1).forEach((b) => { b.checked = box.checked; });
      }
      last = i;
      tell();
    });
    box.addEventListener("keydown", (event) => {
      const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
      if (!step || !boxes[i + step]) return;
      event.preventDefault();
      boxes[i + step].focus();
      if (event.shiftKey) { boxes[i + step].checked = box.checked; tell(); }
    });
  });
  // the print opens beside the list: this form may be sent again
  form.addEventListener("submit", () => setTimeout(() => { delete form.dataset.sent; form.querySelectorAll("[aria-busy]").forEach((b) => b.removeAttribute("aria-busy")); }, 500));
  addEventListener("pageshow", tell);
  tell();
})();
