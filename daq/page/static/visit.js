// Orders of a page to a bench, and the token of the visit that they carry: it is renewed where it has ended.

const RENEW_MS = 2000;
const body = document.body;

/** Take over the token of a visit in the place of the one that the page was made with. */
export function takeOver(token) {
  body.dataset.csrf = token;
  for (const field of document.querySelectorAll("input[name=csrf]")) field.value = token;
}

/** Get the token of the present visit; return whether it is another one, and the person that of this screen, no one, or any. */
async function renew(anyone) {
  const answer = await fetch("/api/v1/session", { cache: "no-store", signal: AbortSignal.timeout(RENEW_MS) });
  if (!answer.ok) return false;
  const { csrf, person } = await answer.json();
  if (csrf === body.dataset.csrf) return false;
  takeOver(csrf);
  if (!anyone && person && person !== body.dataset.person) throw refusal(409, "");
  return true;
}

function refusal(status, text) {
  return Object.assign(new Error(text), { status });
}

/** Send an order to a bench; an error has the `status` of a refusal.  An order with an ended token has done nothing, and is sent again. */
export async function send(bench, path, content, longest, anyone = false) {
  const post = () => fetch(`/api/v1/benches/${encodeURIComponent(bench)}/${path}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRF-Token": body.dataset.csrf },
    body: JSON.stringify(content),
    signal: AbortSignal.timeout(longest),
  });
  let answer = await post();
  if (answer.status === 403 && await renew(anyone)) answer = await post();
  if (answer.ok) return;
  const said = await answer.json().catch(() => ({}));
  throw refusal(answer.status, typeof said.detail === "string" ? said.detail : "");
}
