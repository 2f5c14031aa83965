// Files that fill a field: the text of a CSV file, or the SHA-256 of a report's file.  The file goes nowhere else.

const LARGEST = 50_000_000;

/** Return the SHA-256 (hex) of a file. */
async function digest(file) {
  const found = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(found)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

for (const box of document.querySelectorAll("[data-file-into], [data-digest-into]")) {
  const { fileInto, digestInto } = box.dataset;
  // A browser computes digests only on loopback addresses and by TLS.
  if (digestInto && !window.crypto?.subtle) continue;
  const field = document.getElementById(fileInto ?? digestInto);
  const name = box.closest("form").elements.namedItem("file");
  box.hidden = false;
  box.querySelector("input").addEventListener("change", async (event) => {
    const picked = event.target;
    const [file] = picked.files;
    picked.setCustomValidity("");
    if (!file) return;
    // Until the file is read, the field must not have what belongs to the file before it.
    field.value = "";
    if (name) name.value = "";
    if (file.size > LARGEST) {
      picked.setCustomValidity(box.dataset.tooLarge);
      picked.reportValidity();
      return;
    }
    const found = fileInto ? await file.text() : await digest(file);
    if (picked.files[0] !== file) return;
    field.value = found;
    if (name) name.value = file.name;
  });
}
