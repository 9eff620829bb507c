/**
 * Audits that run on the server: started, followed, their answer waited for.
 */

const POLL_MS = 250;

/**
 * Start one and wait for what it gives.
 *
 * @param {any} api
 * @param {string} path      where it is started by a POST
 * @param {any} body
 * @param {(words: string) => void} tell  how far it is
 * @param {() => boolean} wanted          false once nobody looks any more
 * @returns {Promise<{id: string, result: any} | null>} null when nobody looks any more
 */
export async function runErrand(api, path, body, tell, wanted) {
  const { errand } = await api.post(path, body);
  for (;;) {
    if (!wanted()) {
      await api.post(`api/errands/${errand}/stop`, {});
      return null;
    }
    const now = await api.get(`api/errands/${errand}`);
    if (now.state === "done") return { id: errand, result: now.result };
    if (now.state === "failed") throw new Error(now.error);
    tell(progressWords(now));
    await new Promise((resolve) => setTimeout(resolve, POLL_MS));
  }
}

/** @param {{step: string, done: number, total: number}} now */
function progressWords({ step, done, total }) {
  if (!step) return "Waiting for its turn \u2026";
  const share = total > 0 ? `, ${done} of ${total}` : "";
  return `${step[0].toUpperCase()}${step.slice(1)}${share} \u2026`;
}
