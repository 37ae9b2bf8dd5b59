// While a reading is typed, says which of the expected ones it fits.
const field = document.querySelector("input.reading");
const told = document.querySelector(".expected .fits");
const lines = document.querySelectorAll(".expected li[data-low]");

function look() {
  const text = field.value.trim();
  // As core/pages/numbers.py reads it: a comma with three digits behind it may part thousands.
  const isOne = /^\d+([.,]\d+)?$/.test(text) && !/^[1-9]\d{0,2},\d{3}$/.test(text);
  const reading = isOne ? Number(text.replace(",", ".")) : NaN;
  let count = 0;
  for (const line of lines) {
    const fits = reading >= Number(line.dataset.low) && reading <= Number(line.dataset.high);
    line.classList.toggle("fits", fits);
    count += fits;
  }
  if (Number.isNaN(reading)) told.textContent = "";
  else if (count) told.textContent = "Fits the marked line.";
  else told.textContent = "Fits none of these: look at the meter and the wire once more, then keep it as it is.";
}

if (field && told && lines.length) {
  field.addEventListener("input", look);
  look();
}
