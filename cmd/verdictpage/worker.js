"use strict";
// The checker runs here, beside the page, so that the page can be used meanwhile
// and can stop it.
const fail = (why) => postMessage({ kind: "failed", why: String(why) });
let loaded;
const ready = new Promise((resolve) => { globalThis.ready = resolve; });

async function load(packed) {
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  const program = await new Response(stream).arrayBuffer();
  const go = new Go();
  const { instance } = await WebAssembly.instantiate(program, go.importObject);
  go.run(instance).then(() => fail("the checker ended by itself"), fail);
  await ready;
}

onmessage = async ({ data }) => {
  try {
    if (data.packed) loaded = load(data.packed);
    await loaded;
    if (data.file) postMessage({ kind: "answer", answer: JSON.parse(check(data.file, JSON.stringify(data.question))) });
    if (data.photo) postMessage({ kind: "photo", name: data.photo, bytes: photograph(data.photo) });
  } catch (e) {
    fail(e);
  }
};
