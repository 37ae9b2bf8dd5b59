// Visits of a draft are moved with arrow keys or by dragging; what that would do is asked at once
// of the server, which alone knows. Without this script the same is done with the form.
const line = document.querySelector("[data-look]");
const svg = line && line.querySelector(".timeline");
let held = null;

const rows = () => [...svg.querySelectorAll(".crew-row")];
const blocksOf = (row) => [...row.querySelectorAll(".block")];
const middle = (block) => Number(block.dataset.x) + Number(block.dataset.width) / 2;

// Where a visit is held over: a row, and how many of its other visits come before.
function begin(block) {
  const row = block.closest(".crew-row");
  held = { block, home: row, row, place: blocksOf(row).indexOf(block), was: blocksOf(row).indexOf(block) };
  block.classList.add("held");
}

function letGo() {
  if (!held) return;
  held.block.classList.remove("held");
  held.block.removeAttribute("transform");
  held = null;
}

function show() {
  const others = blocksOf(held.row).filter((one) => one !== held.block);
  const next = others[held.place];
  const before = others[held.place - 1];
  let x = Number(held.block.dataset.x);
  if (held.row !== held.home || held.place !== held.was) {
    if (before) x = Number(before.dataset.x) + Number(before.dataset.width) + 4;
    else if (next) x = Number(next.dataset.x) - 12;
  }
  const dy = Number(held.row.dataset.y) - Number(held.home.dataset.y);
  held.block.setAttribute("transform", `translate(${x - Number(held.block.dataset.x)} ${dy - 14})`);
}

function asked() {
  const before = blocksOf(held.row).filter((one) => one !== held.block)[held.place - 1];
  return new URLSearchParams({
    day: line.dataset.day,
    visit: held.block.dataset.visit,
    crew: held.row.dataset.crew,
    after: before ? before.dataset.visit : "",
  }).toString();
}

async function change() {
  show();
  const question = asked();
  const answer = await fetch(`${line.dataset.look}?${question}`);
  const text = await answer.text();
  // A later key or drag has asked again meanwhile: its answer is the one that counts.
  if (!held || asked() !== question) return;
  const told = document.createElement("template");
  told.innerHTML = text;
  const move = told.content.querySelector("#move");
  if (answer.ok && move) document.querySelector("#move").replaceWith(move);
  else window.location.assign(held.block.getAttribute("href"));
}

function key(event) {
  const block = event.target.closest(".block");
  if (!block || event.altKey || event.ctrlKey || event.metaKey) return;
  const step = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] }[event.key];
  if (step) {
    event.preventDefault();
    if (held && held.block !== block) letGo();
    if (!held) begin(block);
    const all = rows();
    const row = all[Math.min(Math.max(all.indexOf(held.row) + step[0], 0), all.length - 1)];
    const count = blocksOf(row).filter((one) => one !== block).length;
    if (row !== held.row) held.place = count;
    held.row = row;
    held.place = Math.min(Math.max(held.place + step[1], 0), count);
    change();
  } else if (event.key === "Enter" && held && held.block === block) {
    event.preventDefault();
    document.querySelector("#move [data-move]")?.click();
  } else if (event.key === "Escape" && held) {
    letGo();
    document.querySelector("#move").replaceChildren();
  }
}

function point(event) {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [at.x, at.y];
}

function drag(event) {
  const block = event.target.closest(".block");
  if (!block || event.button !== 0) return;
  const from = point(event);
  let moved = false;
  const move = (now) => {
    const [x, y] = point(now);
    if (!moved && Math.hypot(x - from[0], y - from[1]) < 6) return;
    if (!moved) {
      letGo();
      begin(block);
      moved = true;
    }
    block.setAttribute("transform", `translate(${x - from[0]} ${y - from[1]})`);
  };
  const drop = (now) => {
    window.removeEventListener("pointermove", move);
    window.removeEventListener("pointerup", drop);
    if (!moved) return;
    const [x, y] = point(now);
    const all = rows();
    held.row = all.reduce((best, row) =>
      Math.abs(Number(row.dataset.y) + 32 - y) < Math.abs(Number(best.dataset.y) + 32 - y) ? row : best);
    const others = blocksOf(held.row).filter((one) => one !== block);
    held.place = others.filter((one) => middle(one) < x).length;
    block.focus();
    change();
    // The click that ends a drag opens nothing.
    block.addEventListener("click", (click) => click.preventDefault(), { once: true });
  };
  window.addEventListener("pointermove", move);
  window.addEventListener("pointerup", drop);
}

if (svg) {
  svg.addEventListener("keydown", key);
  svg.addEventListener("pointerdown", drag);
  svg.addEventListener("dragstart", (event) => event.preventDefault());
}
