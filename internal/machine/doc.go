// Package machine keeps one OPC UA session with one machine: connect and
// identify, watch, read, write, read back.
//
// What it promises:
//
//   - A session counts as up only after the peer has proven to be the
//     commissioned machine: pinned certificate, security exactly as configured,
//     serial, demo mark, and for every register its type, unit and range.
//   - A sample is one Read of everything. Subscriptions only wake it.
//   - A write is one register in one request, sent at most once, only while
//     everything the decision rested on still reads the same. It is applied only
//     when a new read says so. Whatever is uncertain is reported as unknown and
//     the session is given up, so that no late effect can be taken for a later
//     write.
//   - Nothing of an old session is used in a new one: channel, namespace
//     indices, node types and subscriptions are made afresh.
//
// It uses the channel layer of the OPC UA library and speaks the few session
// services itself, because that layer takes over whatever certificate and
// policy the server's first, unauthenticated reply names: the channel is
// compared with what was pinned before anything else is sent, and is never
// renewed.
package machine
