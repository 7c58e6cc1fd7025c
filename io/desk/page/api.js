// The way to the server on this machine: JSON there and back, nothing else.

/** What the server refuses, with its faults; `changed` and `theirs` of a file changed on disk. */
export class Refused extends Error {
  constructor(status, body) {
    super(body.faults?.map((fault) => fault.problem).join(" ") ?? body.trouble ?? `status ${status}`);
    this.status = status;
    this.body = body;
    this.faults = body.faults ?? [{ problem: this.message }];
  }
}

/** The server cannot be reached: it was closed. */
export class Gone extends Error {}

async function send(route, body, signal) {
  try {
    return await fetch(`/api/${route}`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      credentials: "same-origin",
      signal,
    });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Gone("The desk has stopped.");
  }
}

async function parsed(response) {
  const text = await response.text();
  try {
    return JSON.parse(text);
  } catch {
    return { trouble: text || response.statusText };
  }
}

export async function post(route, body, signal) {
  const response = await send(route, body, signal);
  const answer = await parsed(response);
  if (!response.ok) throw new Refused(response.status, answer);
  if (answer.bug) throw new Refused(500, { trouble: answer.bug });
  if (answer.refused && !answer.url) throw new Refused(422, { faults: [{ problem: answer.refused.reason, mend: answer.refused.mend }] });
  if (answer.faults) throw new Refused(422, answer);
  return answer;
}

/** Lines of JSON as they come; each is given to `each`. */
export async function stream(route, body, signal, each) {
  const response = await send(route, body, signal);
  if (!response.ok) throw new Refused(response.status, await parsed(response));
  const reader = response.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  try {
    for (;;) {
      const { done, value } = await reader.read();
      if (done) break;
      const lines = (rest + value).split("\n");
      rest = lines.pop();
      for (const line of lines) if (line.trim()) each(JSON.parse(line));
    }
  } catch (error) {
    if (error.name === "AbortError") throw error;
    if (error instanceof TypeError) throw new Gone("The desk has stopped.");
    throw error;
  }
  if (rest.trim()) each(JSON.parse(rest));
}
