"use strict";
// The page reads the same without this: it only makes tables sortable and pictures swappable.

function sortKey(row, column) {
  const cell = row.cells[column];
  const key = cell.dataset.v ?? cell.textContent;
  return key === "" || key === "–" ? null : key;
}

function compare(a, b) {
  const x = Number(a), y = Number(b);
  return isNaN(x) || isNaN(y) ? a.localeCompare(b, "en", { numeric: true }) : x - y;
}

function sortBy(table, heading) {
  const column = heading.cellIndex;
  const down = heading.getAttribute("aria-sort") === "ascending";
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  rows.sort((one, two) => {
    const a = sortKey(one, column), b = sortKey(two, column);
    if (a === null || b === null) return (a === null) - (b === null); // unknown ones come last
    return down ? compare(b, a) : compare(a, b);
  });
  for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
  heading.setAttribute("aria-sort", down ? "descending" : "ascending");
  body.append(...rows);
}

for (const table of document.querySelectorAll("table.sortable")) {
  for (const heading of table.tHead.rows[0].cells) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...heading.childNodes);
    button.addEventListener("click", () => sortBy(table, heading));
    heading.append(button);
  }
}

// Two pictures of one field are easiest to compare in one place, one after the other.
for (const pair of document.querySelectorAll(".pictures.pair")) {
  const [first, second] = pair.querySelectorAll("img");
  if (!second || ["width", "height"].some((name) => first.getAttribute(name) !== second.getAttribute(name))) continue;
  const button = document.createElement("button");
  button.type = "button";
  button.className = "swap";
  button.textContent = "Swap the two pictures";
  button.addEventListener("click", () => {
    const figures = pair.querySelectorAll("figure");
    pair.append(figures[0]);
  });
  pair.before(button);
}
