// A form goes out once: a second touch of its button waits for the answer to the first.
// The server tells a double by itself; this only spares the wait for a second answer.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  const pressed = event.submitter;
  if (pressed) pressed.setAttribute("aria-busy", "true");
});
// Coming back by the browser's own button finds forms that can be sent again.
window.addEventListener("pageshow", () => {
  for (const form of document.forms) delete form.dataset.sent;
  for (const busy of document.querySelectorAll("[aria-busy]")) busy.removeAttribute("aria-busy");
});
