// A simulated machine on node-opcua: an OPC UA server that shares no code with
// the Go simulator or with the client under test. Same node identifiers, other
// namespace indexes.
//
//   node machine.mjs '{"serial":"P 1","name":"peer","program":"O1","tools":[{"name":"T1"}],
//     "registers":[{"name":"T1 wear","tool":"T1","unit":"mm","kind":"radius",
//                   "resolution":0.001,"min":-1,"max":1,"initial":0}]}'
//
// Options: serial, name, program, user, password, secure, tools, registers
// (asText too), handover: registers change through a mailbox alone, port, memory: a file that keeps the state over a power cut, certificate, key and uri: PEM texts and the
// application they were issued for, made anew at each start without them. It prints one JSON line with its endpoint when it is ready,
// then answers every JSON line on standard input with one JSON line:
//   {"do":"begin"} {"do":"end"} {"do":"set","register":R,"value":V}
//   {"do":"tool","tool":T} {"do":"program","value":P} {"do":"part","value":S}
//   {"do":"state"} {"do":"quit"}
// The state carries the log of every write that came over OPC UA.
import fs from "node:fs";
import net from "node:net";
import os from "node:os";
import path from "node:path";
import readline from "node:readline";

console.log = console.info = console.error; // standard output carries JSON lines and nothing else
const {
  AccessLevelFlag, DataType, MessageSecurityMode, OPCUACertificateManager, OPCUAServer, SecurityPolicy, StatusCodes, Variant,
  VariantArrayType, makeEUInformation,
} = await import("node-opcua");

const BUILDER = "urn:offsetbridge:simulated-machine:builder";
const MACHINE_TOOL = "http://opcfoundation.org/UA/MachineTool/";
const UNITS = { mm: ["MMT", "millimetre"], in: ["INH", "inch"], "µm": ["4H", "micrometre"] };
const MAX_LOG = 65536;
const SAMPLING_MS = 20;

const say = (o) => process.stdout.write(JSON.stringify(o) + "\n");
const options = JSON.parse(process.argv[2] ?? "{}");
const registers = options.registers ?? [];
const state = {
  counter: 0, cutting: false, program: options.program ?? "", part: "", revision: 0,
  tools: Object.fromEntries((options.tools ?? []).map((t) => [t.name, { generation: 0, life: t.life ?? 0 }])),
  registers: Object.fromEntries(registers.map((r) => [r.name, r.initial ?? 0])),
  log: [], // {register, old, new}, oldest first
  mailbox: { Request: 0, Register: 0, Old: 0, New: 0, Check: 0, Acknowledged: 0, Result: 0 },
  owner: "", // who writes to this machine, as whoever does has put it
};

// A control keeps counters, offsets and tool table when its server is killed.
if (options.memory && fs.existsSync(options.memory)) Object.assign(state, JSON.parse(fs.readFileSync(options.memory, "utf8")));

// remember comes before the answer, so that no effect is forgotten.
function remember() {
  if (!options.memory) return;
  fs.writeFileSync(options.memory + ".new", JSON.stringify(state));
  fs.renameSync(options.memory + ".new", options.memory);
}

function unitId(code) {
  let n = 0;
  for (const c of code) n = n * 256 + c.charCodeAt(0);
  return n;
}

function decimals(r) {
  return (String(r.resolution).split(".")[1] ?? "").length;
}

// store puts a value into a register if the control would take it.
function store(r, value, overOpcua) {
  const v = r.asText ? (/^-?\d+(\.\d+)?$/.test(value) ? Number(value) : NaN) : value;
  const steps = Math.round(v / r.resolution);
  if (!Number.isFinite(v) || v < r.min || v > r.max || Math.abs(v / r.resolution - steps) > 1e-6) return StatusCodes.BadOutOfRange;
  const now = Number((steps * r.resolution).toFixed(decimals(r))) + 0;
  const old = state.registers[r.name];
  if (now !== old) state.revision++;
  state.registers[r.name] = now;
  if (overOpcua) {
    state.log.push({ register: r.name, old, new: now });
    if (state.log.length > MAX_LOG) state.log.splice(0, MAX_LOG / 4);
  }
  remember();
  return StatusCodes.Good;
}

// takeOver is the control's program: while the machine stands it looks for a request
// that it has not dealt with, checks it, carries it out and acknowledges it.
function takeOver() {
  const m = state.mailbox;
  if (state.cutting || m.Request === 0 || m.Request === m.Acknowledged) return;
  const r = registers[m.Register - 1];
  const near = (a, b) => Math.abs(a - b) <= r.resolution / 2;
  m.Result = !r ? 4
    : !near(m.Request + m.Register + m.Old + m.New, m.Check) ? 5
    : !near(state.registers[r.name], m.Old) ? 2
    : store({ ...r, asText: false }, m.New, true) === StatusCodes.Good ? 1 : 3;
  m.Acknowledged = m.Request;
  remember();
}

async function freePort() {
  const probe = net.createServer();
  await new Promise((ok, bad) => probe.once("error", bad).listen(0, "127.0.0.1", ok));
  const { port } = probe.address();
  await new Promise((ok) => probe.close(ok));
  return port;
}

function build(space) {
  space.registerNamespace("urn:offsetbridge:simulated-machine:filler"); // so that no client gets away with fixed indexes
  const tool = space.registerNamespace(MACHINE_TOOL).index;
  const ns = space.registerNamespace(BUILDER);
  const object = (parent, sid, browseName, extra = {}) =>
    ns.addObject({ nodeId: `s=${sid}`, browseName, ...(parent ? { componentOf: parent } : extra) });
  const variable = (parent, sid, browseName, dataType, get) =>
    ns.addVariable({
      nodeId: `s=${sid}`, browseName, componentOf: parent, dataType,
      accessLevel: AccessLevelFlag.CurrentRead, userAccessLevel: AccessLevelFlag.CurrentRead,
      minimumSamplingInterval: SAMPLING_MS,
      value: { get: () => new Variant({ dataType, arrayType: VariantArrayType.Scalar, value: get() }) },
    });
  const mt = (name) => ({ namespaceIndex: tool, name });
  const u64 = (n) => [Math.floor(n / 2 ** 32), n % 2 ** 32];

  const machine = object(null, "Machine", options.name ?? "peer", { organizedBy: space.rootFolder.objects });
  const ident = object(machine, "Identification", "Identification");
  variable(ident, "Identification/SerialNumber", "SerialNumber", DataType.String, () => options.serial ?? "");
  variable(ident, "Identification/Name", "Name", DataType.String, () => options.name ?? "");
  variable(ident, "DemoMark", "DemoMark", DataType.String, () => "simulated machine, cuts no metal");
  const channel = object(object(machine, "Monitoring", mt("Monitoring")), "Monitoring/Channel1", mt("Channel1"));
  variable(channel, "Monitoring/Channel1/ChannelState", mt("ChannelState"), DataType.Int32, () => (state.cutting ? 0 : 2));
  const production = object(machine, "Production", mt("Production"));
  const program = object(production, "Production/ActiveProgram", mt("ActiveProgram"));
  variable(program, "Production/ActiveProgram/Name", mt("Name"), DataType.String, () => state.program);
  variable(production, "Production/PartsCompleted", mt("PartsCompleted"), DataType.UInt64, () => u64(state.counter));
  variable(production, "Production/PartSerial", "PartSerial", DataType.String, () => state.part);
  const tools = object(object(machine, "Equipment", mt("Equipment")), "Equipment/Tools", mt("Tools"));
  for (const name of Object.keys(state.tools)) {
    const t = object(tools, `Equipment/Tools/${name}`, name);
    variable(t, `Equipment/Tools/${name}/Generation`, "Generation", DataType.UInt64, () => u64(state.tools[name].generation));
    variable(t, `Equipment/Tools/${name}/ToolLife`, "ToolLife", DataType.UInt32, () => state.tools[name].life);
    variable(t, `Equipment/Tools/${name}/Active`, "Active", DataType.Boolean, () => true);
  }
  const offsets = object(machine, "Offsets", "Offsets");
  variable(offsets, "Offsets/WritePermitted", "WritePermitted", DataType.Boolean, () => !state.cutting);
  variable(offsets, "Offsets/OffsetRevision", "OffsetRevision", DataType.UInt64, () => u64(state.revision));
  for (const r of registers) addRegister(ns, offsets, r);
  if (options.handover) addMailbox(ns, object(machine, "Handover", "Handover"));
  ns.addVariable({
    nodeId: "s=Writer/Owner", browseName: "Owner", componentOf: object(machine, "Writer", "Writer"), dataType: DataType.String, minimumSamplingInterval: SAMPLING_MS,
    accessLevel: AccessLevelFlag.CurrentRead | AccessLevelFlag.CurrentWrite, userAccessLevel: AccessLevelFlag.CurrentRead | AccessLevelFlag.CurrentWrite,
    value: {
      get: () => new Variant({ dataType: DataType.String, value: state.owner }),
      set: (v) => {
        state.owner = String(v.value ?? "");
        remember();
        return StatusCodes.Good;
      },
    },
  });
}

function addMailbox(ns, parent) {
  for (const name of Object.keys(state.mailbox)) {
    const dataType = ["Old", "New", "Check"].includes(name) ? DataType.Double : DataType.Int32;
    const ours = ["Acknowledged", "Result"].includes(name);
    const access = AccessLevelFlag.CurrentRead | (ours ? 0 : AccessLevelFlag.CurrentWrite);
    ns.addVariable({
      nodeId: `s=Handover/${name}`, browseName: name, componentOf: parent, dataType, minimumSamplingInterval: SAMPLING_MS,
      accessLevel: access, userAccessLevel: access,
      value: {
        get: () => new Variant({ dataType, value: state.mailbox[name] }),
        set: (v) => {
          state.mailbox[name] = v.value;
          remember();
          setImmediate(takeOver);
          return StatusCodes.Good;
        },
      },
    });
  }
}

function addRegister(ns, parent, r) {
  const [code, long] = UNITS[r.unit];
  const unit = makeEUInformation(r.unit, r.unit, long);
  unit.unitId = unitId(code);
  unit.namespaceUri = "http://www.opcfoundation.org/UA/units/un/cefact";
  const dataType = r.asText ? DataType.String : DataType.Double;
  const access = AccessLevelFlag.CurrentRead | (options.handover ? 0 : AccessLevelFlag.CurrentWrite);
  const common = {
    nodeId: `s=Offsets/${r.name}`, browseName: r.name, componentOf: parent, dataType, minimumSamplingInterval: SAMPLING_MS,
    accessLevel: access, userAccessLevel: access,
    value: {
      get: () => new Variant({ dataType, value: r.asText ? state.registers[r.name].toFixed(decimals(r)) : state.registers[r.name] }),
      set: (v) => store(r, v.value, true),
    },
  };
  const property = (name, type, value) =>
    ns.addVariable({ propertyOf: node, browseName: name, dataType: type, value: new Variant({ dataType: type, value }) });
  const node = r.asText
    ? ns.addVariable(common)
    : ns.addAnalogDataItem({ ...common, engineeringUnits: unit, engineeringUnitsRange: { low: r.min, high: r.max } });
  if (r.asText) {
    ns.addVariable({
      propertyOf: node, browseName: { namespaceIndex: 0, name: "EngineeringUnits" }, dataType: "EUInformation",
      value: new Variant({ dataType: DataType.ExtensionObject, value: unit }),
    });
  }
  property("Resolution", DataType.Double, r.resolution);
  property("Tool", DataType.String, r.tool);
  property("Kind", DataType.String, r.kind);
}

const commands = {
  begin: () => { state.cutting = true; },
  end: () => {
    state.cutting = false;
    state.counter++;
    for (const t of Object.values(state.tools)) t.life++;
    setImmediate(takeOver);
  },
  set: ({ register, value }) => {
    const r = registers.find((x) => x.name === register);
    if (!r) throw new Error(`there is no register ${JSON.stringify(register)}`);
    const code = store({ ...r, asText: false }, value, false);
    if (code !== StatusCodes.Good) throw new Error(`register ${register} refuses ${value}`);
  },
  tool: ({ tool }) => {
    const t = state.tools[tool];
    if (!t) throw new Error(`there is no tool ${JSON.stringify(tool)}`);
    t.generation++;
    t.life = 0;
  },
  program: ({ value }) => { state.program = String(value); },
  part: ({ value }) => { state.part = String(value); },
  state: () => ({ state }),
};

async function main() {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), "offsetbridge-peer-"));
  const tidy = () => fs.rmSync(folder, { recursive: true, force: true });
  process.once("exit", tidy);
  if (options.certificate) {
    for (const [place, name, text] of [["certs", "certificate.pem", options.certificate], ["private", "private_key.pem", options.key]]) {
      fs.mkdirSync(path.join(folder, "own", place), { recursive: true });
      fs.writeFileSync(path.join(folder, "own", place, name), text);
    }
  }
  const pki = new OPCUACertificateManager({ rootFolder: folder, automaticallyAcceptUnknownCertificate: true });
  await pki.initialize();
  const server = new OPCUAServer({
    host: "127.0.0.1", hostname: "127.0.0.1", port: options.port || (await freePort()), resourcePath: "",
    serverCertificateManager: pki, userCertificateManager: pki,
    securityModes: options.secure ? [MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt] : [MessageSecurityMode.None],
    securityPolicies: [options.secure ? SecurityPolicy.Basic256Sha256 : SecurityPolicy.None],
    allowAnonymous: !options.user,
    userManager: { isValidUser: (user, password) => user === options.user && password === options.password },
    ...(options.uri ? { serverInfo: { applicationUri: options.uri } } : {}),
    registerServerMethod: 1, // hidden: announces itself nowhere
    buildInfo: { productName: "independent simulated machine" },
  });
  await server.initialize();
  build(server.engine.addressSpace);
  await server.start();
  const port = server.endpoints[0].port;
  say({
    endpoint: `opc.tcp://127.0.0.1:${port}`,
    certificate: options.secure ? server.getCertificate().toString("base64") : "",
    listens: server.endpoints[0].endpointDescriptions().map((e) => e.endpointUrl),
  });

  let over = false;
  const quit = async () => {
    if (over) return;
    over = true;
    const limit = new Promise((ok) => setTimeout(ok, 500)); // a client that will not leave is left
    await Promise.race([server.shutdown(0), limit]);
    tidy();
    process.exit(0);
  };
  process.on("SIGTERM", quit);
  const lines = readline.createInterface({ input: process.stdin });
  lines.on("line", async (line) => {
    try {
      const c = JSON.parse(line.slice(0, 65536));
      if (c.do === "quit") {
        say({ ok: true });
        await quit();
        return;
      }
      if (!Object.hasOwn(commands, c.do)) throw new Error(`unknown command ${JSON.stringify(c.do)}`);
      const answer = commands[c.do](c);
      if (c.do !== "state") remember();
      say({ ok: true, ...answer });
    } catch (e) {
      say({ ok: false, error: e.message });
    }
  });
  lines.on("close", quit); // the test that started us is gone
}

main().catch((e) => {
  say({ error: e.stack ?? String(e) });
  process.exit(1);
});
