// An independent OPC UA client on node-opcua, for proving that a server of ours
// speaks the protocol and not merely the dialect of our own client.
//
//   node client.mjs '{"endpoint":"opc.tcp://127.0.0.1:4840","attempts":[
//     {"mode":"None","user":"","password":"","steps":[
//       {"read":["nsu=URI;s=ID"]},
//       {"write":"nsu=URI;s=ID","type":"Double","value":0.1},
//       {"browse":"i=85"},
//       {"path":"nsu=URI;s=ID","names":["EURange"]},
//       {"watch":["nsu=URI;s=ID"],"write":"nsu=URI;s=ID","type":"Double","value":0.2}]}]}'
//
// Each attempt is a connection and a session of its own; modes are None, Sign
// and SignAndEncrypt (Basic256Sha256). It prints one JSON line an attempt:
// {"answers":[…]}, with "error" when the attempt ended early.
import fs from "node:fs";
import os from "node:os";
import path from "node:path";

console.log = console.info = console.error; // standard output carries JSON lines and nothing else
const {
  AttributeIds, DataType, MessageSecurityMode, OPCUACertificateManager, OPCUAClient, SecurityPolicy, TimestampsToReturn, UserTokenType,
  VariantArrayType,
  ClientMonitoredItem, ClientSubscription, makeBrowsePath,
} = await import("node-opcua");

const WATCH_MS = 20_000;
const say = (o) => process.stdout.write(JSON.stringify(o) + "\n");

// plainValue turns what the library returns into JSON: UInt64 comes as [high, low].
function plainValue(v) {
  if (v.dataType === DataType.UInt64 && Array.isArray(v.value)) return v.value[0] * 2 ** 32 + v.value[1];
  if (v.dataType === DataType.ExtensionObject) return v.value?.toJSON?.() ?? v.value;
  return v.value;
}

const shown = (d) => ({
  status: d.statusCode.name, type: DataType[d.value.dataType], value: plainValue(d.value),
  source: d.sourceTimestamp?.toISOString(), server: d.serverTimestamp?.toISOString(),
});

async function perform(session, step, resolve) {
  const write = async () => {
    const code = await session.write({
      nodeId: resolve(step.write), attributeId: AttributeIds.Value,
      value: { value: { dataType: DataType[step.type], arrayType: VariantArrayType.Scalar, value: step.value } },
    });
    return code.name;
  };
  if (step.watch) return watch(session, step, resolve, write);
  if (step.read) {
    const values = await session.read(step.read.map((n) => ({ nodeId: resolve(n), attributeId: AttributeIds.Value })), 0);
    return { values: values.map(shown) };
  }
  if (step.write) return { write: await write() };
  if (step.browse) {
    const r = await session.browse(resolve(step.browse));
    return { status: r.statusCode.name, names: r.references.map((x) => x.browseName.name), types: r.references.map((x) => x.typeDefinition.toString()) };
  }
  const r = await session.translateBrowsePath(makeBrowsePath(resolve(step.path), step.names.map((n) => "." + n).join("")));
  if (r.targets.length === 0) return { status: r.statusCode.name };
  return { status: r.statusCode.name, value: shown(await session.read({ nodeId: r.targets[0].targetId, attributeId: AttributeIds.Value })) };
}

// watch subscribes, waits for the first value of each node, writes, and waits
// until the written value is told.
async function watch(session, step, resolve, write) {
  const sub = ClientSubscription.create(session, {
    requestedPublishingInterval: 20, requestedLifetimeCount: 1000, requestedMaxKeepAliveCount: 10, publishingEnabled: true,
  });
  const seen = [];
  let changed = () => {};
  for (const n of step.watch) {
    const item = ClientMonitoredItem.create(sub, { nodeId: resolve(n), attributeId: AttributeIds.Value },
      { samplingInterval: 20, queueSize: 10, discardOldest: true }, TimestampsToReturn.Both);
    item.on("changed", (d) => { seen.push(plainValue(d.value)); changed(); });
    item.on("err", (text) => { seen.push({ error: String(text) }); changed(); });
  }
  const until = (done) => new Promise((ok, bad) => {
    const late = setTimeout(() => bad(new Error(`no notification, seen ${JSON.stringify(seen)}`)), WATCH_MS);
    changed = () => { if (done()) { clearTimeout(late); ok(); } };
    changed();
  });
  await until(() => seen.length >= step.watch.length);
  const code = await write();
  await until(() => seen.includes(step.value));
  await sub.terminate();
  return { write: code, seen };
}

async function attempt(endpoint, pki, o, answers) {
  const mode = MessageSecurityMode[o.mode || "None"];
  const client = OPCUAClient.create({
    applicationName: "independent client", clientName: "independent client", clientCertificateManager: pki,
    securityMode: mode, securityPolicy: mode === MessageSecurityMode.None ? SecurityPolicy.None : SecurityPolicy.Basic256Sha256,
    endpointMustExist: false, connectionStrategy: { maxRetry: 0 }, requestedSessionTimeout: 60_000,
    defaultTransactionTimeout: 60_000, // a busy machine answers late, which is no fault of the server
  });
  try {
    await client.connect(endpoint);
    const session = await client.createSession(o.user
      ? { type: UserTokenType.UserName, userName: o.user, password: o.password ?? "" }
      : { type: UserTokenType.Anonymous });
    const uris = await session.readNamespaceArray();
    const resolve = (n) => n.replace(/^nsu=([^;]*);/, (_, uri) => {
      const i = uris.indexOf(uri);
      if (i < 0) throw new Error(`the server has no namespace ${uri}`);
      return `ns=${i};`;
    });
    for (const step of o.steps ?? []) answers.push(await perform(session, step, resolve));
    await session.close();
  } finally {
    await client.disconnect();
  }
}

async function main() {
  const o = JSON.parse(process.argv[2] ?? "{}");
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), "offsetbridge-peer-"));
  process.once("exit", () => fs.rmSync(folder, { recursive: true, force: true }));
  const pki = new OPCUACertificateManager({ rootFolder: folder, automaticallyAcceptUnknownCertificate: true });
  await pki.initialize();
  for (const a of o.attempts ?? []) {
    const answers = [];
    try {
      await attempt(o.endpoint, pki, a, answers);
      say({ answers });
    } catch (e) {
      say({ answers, error: e.message || String(e) });
    }
  }
  process.exit(0);
}

await main();
