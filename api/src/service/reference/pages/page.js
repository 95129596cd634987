// Opens operations in place and filters the list. Without it each operation is a link to a page of its own.
const operations = [...document.querySelectorAll("details.operation")];

async function fill(operation) {
  if (operation.querySelector("article")) return;
  const link = operation.querySelector("a");
  const answer = await fetch(link.href);
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  operation.append(page.querySelector("article"));
}

for (const operation of operations) {
  operation.addEventListener("toggle", () => operation.open && fill(operation));
}

const find = document.getElementById("find");
find.closest(".find").hidden = false;
find.addEventListener("input", () => {
  const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
  let found = 0;
  for (const operation of operations) {
    const text = operation.firstElementChild.textContent.toLowerCase() + " " + operation.id;
    operation.hidden = !words.every((word) => text.includes(word));
    if (!operation.hidden) found += 1;
  }
  for (const section of document.querySelectorAll("section")) {
    section.hidden = !section.querySelector("details:not([hidden])");
  }
  document.getElementById("found").textContent = words.length ? `${found} found` : "";
});

function openNamed() {
  const named = document.getElementById(location.hash.slice(1));
  if (named?.matches("details.operation")) named.open = true;
}
openNamed();
addEventListener("hashchange", openNamed);
