// Ways to ask the kernel: over a widget's channel, over HTTP, or a copy that came with the page.
// Each is a function: question -> promise of {said, planes}; planes are Float32Arrays.

const PATIENCE_MS = 600000;
const AGAIN_MS = 4000; // then twice as long, and so on
const ONCE = ["decide", "undo", "readings"]; // what must not be done twice, or is large

// An answer in one piece: length of the text, the text, then the buffers whose lengths it gives.
function unpack(bytes) {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const length = view.getUint32(0, true);
  const said = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
  let at = 4 + length;
  const buffers = said.lengths.map((size) => bytes.slice(at, (at += size)));
  return { said, buffers };
}

// A question or an answer may be lost on the way, as where a notebook connects anew to its kernel: it
// is asked again under its number, and whichever answer comes first is the answer.
export function viaWidget(model, { againMs = AGAIN_MS } = {}) {
  const waiting = new Map();
  let last = 0;
  let heard = () => {};
  model.on("msg:custom", (said, buffers) => {
    if (said.told) return heard(said);
    const done = waiting.get(said.id);
    waiting.delete(said.id);
    // Copied, because what arrives need not begin at a multiple of four bytes.
    if (done) done({ said, buffers: buffers.map((b) => new Uint8Array(b.buffer ?? b, b.byteOffset ?? 0, b.byteLength).slice()) });
  });
  const link = (question) =>
    new Promise((resolve, reject) => {
      const id = ++last;
      let again;
      const send = (wait) => {
        model.send({ ...question, id });
        if (!ONCE.includes(question.kind)) again = setTimeout(() => send(2 * wait), wait);
      };
      const timer = setTimeout(() => {
        waiting.delete(id);
        clearTimeout(again);
        reject(new Error("the kernel does not answer; is it running?"));
      }, PATIENCE_MS);
      waiting.set(id, (answer) => (clearTimeout(timer), clearTimeout(again), resolve(answer)));
      send(againMs);
    });
  // What the kernel tells unasked goes to `hear`.
  link.listen = (hear) => (heard = hear);
  return link;
}

export function viaHttp(token) {
  return async (question) => {
    const answer = await fetch("ask", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Token": token },
      body: JSON.stringify(question),
    }).catch(() => {
      throw new Error("the program that shows this page has ended; start it again");
    });
    if (!answer.ok) throw new Error(`the question was refused (${answer.status})`);
    return unpack(new Uint8Array(await answer.arrayBuffer()));
  };
}

// A page without a kernel: answers by their question's kind and lane, packed as base64 of gzip.
export function fromCopies(copies) {
  const read = async (text) => {
    const packed = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    return unpack(new Uint8Array(await new Response(stream).arrayBuffer()));
  };
  const link = async (question) => {
    const key = question.lane ? `${question.kind} ${question.lane}` : question.kind;
    if (!(key in copies)) throw new Error("this page was saved without that: it has no kernel to ask");
    return read(copies[key]);
  };
  return Object.assign(link, { copied: true });
}

// Ask; an answer that says what went wrong becomes an error.
export async function asked(link, question) {
  const { said, buffers } = await link(question);
  if (said.kind === "error") throw new Error(said.text);
  return { said, buffers };
}
