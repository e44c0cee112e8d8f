// Package journal keeps what happened: durable, ordered, hash-chained streams
// of records whose bodies are bytes to it.
//
// The contract:
//
//   - Append is all or nothing over every stream it touches, and what it
//     returned nil for survives a crash of the process, of the operating
//     system and of the power supply. What it returned an error for may or may
//     not be there after the journal is opened again; the reader must look.
//   - Each stream counts 1, 2, 3 … without gaps. A record that does not
//     continue its stream is refused.
//   - Each record carries SHA-256 over the hash before it and the stored bytes
//     of all its columns. Checkpoints tie the heads of all streams together in
//     a chain of their own. A changed, removed or inserted record is found and
//     named by Verify. Somebody who can rewrite every file can also recompute
//     every hash, so export Heads to another computer and compare with Contains.
//   - Only a tail that was never acknowledged may disappear. Damage inside is
//     reported as *Damage and never repaired; records around it stay readable.
//   - After any failed write the journal refuses to write until it is opened
//     again, because what the disk holds is then unknown.
//
// On disk a journal is a folder: catalog.db lists the segments and holds the
// snapshots, each segment-N.db holds a run of records with its checkpoints, and
// lock keeps a second process out. A sealed segment is never written again.
package journal
