// Orders of a page to a bench, and the token of the visit that they carry: it is renewed where it has ended.

const RENEW_MS = 2000;
const body = document.body;

/** Take over the token of a visit in the place of the one that the page was made with. */
export function takeOver(token) {
  body.dataset.csrf = token;
  for (const field of document.querySelectorAll("input[name=csrf]")) field.value = token;
}

/**
 * Return the token of the present visit where it is another one; `anyone` lets it be of any person.
 *
 * The page takes it over only where the screen states the person truly: that of the token, or no one.
 */
async function renewed(anyone) {
  const answer = await fetch("/api/v1/session", { cache: "no-store", signal: AbortSignal.timeout(RENEW_MS) });
  if (!answer.ok) return "";
  const { csrf, person } = await answer.json();
  if (csrf === body.dataset.csrf) return "";
  if (!person || person === body.dataset.person) takeOver(csrf);
  else if (!anyone) throw refusal(409, "");
  return csrf;
}

function refusal(status, text) {
  return Object.assign(new Error(text), { status });
}

/**
 * Send an order to a bench, and return the answer; an error has the `status` of a refusal.
 *
 * An order with an ended token has done nothing, and is sent again.
 */
export async function send(bench, path, content, longest, { anyone = false, headers = {} } = {}) {
  const post = (token) => fetch(`/api/v1/benches/${encodeURIComponent(bench)}/${path}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRF-Token": token, ...headers },
    body: JSON.stringify(content),
    signal: AbortSignal.timeout(longest),
  });
  let answer = await post(body.dataset.csrf);
  const token = answer.status === 403 ? await renewed(anyone) : "";
  if (token) answer = await post(token);
  const said = await answer.json().catch(() => ({}));
  if (answer.ok) return said;
  throw refusal(answer.status, typeof said.detail === "string" ? said.detail : "");
}
