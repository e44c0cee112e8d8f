// Package machine is a simulated machine tool: an OPC UA server with an
// offset table, a part counter, a program name, tools and a state that says
// whether it is cutting.
//
// Its contract:
//
//   - One Read request sees one moment: counter, registers, tools, program and
//     state of one answer belong together, whatever the machine does meanwhile.
//   - A register takes an absolute Double (or a decimal text, where it is
//     configured so) inside its range and on its resolution grid, from an
//     activated session, and nothing else. Every change that came over OPC UA
//     is recorded in Effects with the value it replaced: that record, not the
//     client's books, is what a test compares with.
//   - Faults are armed one by one and strike a counted number of matching
//     requests, so that a test can lose exactly one answer.
//   - It never pretends to be a real machine: the node DemoMark says so, and it
//     listens on loopback unless the caller insists.
//
// The address space, the message encoding and the secure channel come from
// github.com/gopcua/opcua; accepting connections, sessions, access checks and
// subscriptions are done here, because that library's server accepts any user,
// any write, and lets one silent connection block the next. It is a
// simulator: it accepts every client certificate, and a plain-text password
// where security is off. On a secured channel a client must not send between
// asking for new keys and getting them: the library forgets the old keys at
// once, and the connection ends.
package machine
