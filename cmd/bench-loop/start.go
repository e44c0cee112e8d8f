package main

import (
	"bufio"
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"offsetbridge/config"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// start measures how soon the demo is ready, and the memory of the program with
// the demo's configuration.
func (b *bench) start(ctx context.Context) error {
	cmd := exec.CommandContext(ctx, b.binary, "demo", "--data", filepath.Join(b.dir, "demo"))
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return err
	}
	ready := time.Duration(0)
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if strings.HasPrefix(lines.Text(), "Ready") {
			ready = time.Since(began)
			break
		}
	}
	cmd.Process.Signal(syscall.SIGTERM)                     //nolint:errcheck // gone already
	go func() { bufio.NewReader(out).WriteTo(discard{}) }() //nolint:errcheck // until it ends
	cmd.Wait()                                              //nolint:errcheck // told to stop
	if ready == 0 {
		return fmt.Errorf("the demo said nothing")
	}
	b.add("demo ready after start", ready.Seconds(), 0, "s", "≤ 2", ready <= 2*time.Second)

	br, err := b.startBroker(1000)
	if err != nil {
		return err
	}
	defer br.stop()
	text := strings.ReplaceAll(string(config.Demo), "mqtt://127.0.0.1:1883", "mqtt"+strings.TrimPrefix(br.url, "tcp"))
	text = strings.ReplaceAll(text, `"demo-data"`, `"journal"`)
	d, _, err := b.startDaemon(ctx, "memory", text)
	if err != nil {
		return err
	}
	defer d.stop()
	time.Sleep(3 * time.Second)
	mb, err := resident(d.cmd.Process.Pid)
	b.add("resident memory with the demo's configuration", mb, 0, "MB", "≤ 60", mb <= 60)
	return err
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

// restart measures how soon the program answers on a long journal. The journal is
// made by the same core and store, without a broker.
func (b *bench) restart(ctx context.Context) error {
	_, p, stop, err := b.pair()
	if err != nil {
		return err
	}
	defer stop()
	c, err := config.Parse("bench.toml", []byte(p.config))
	if err != nil {
		return err
	}
	dir := filepath.Join(b.dir, "restart", "journal")
	if err := fill(ctx, dir, c.Settings("m0"), b.million); err != nil {
		return err
	}
	d, took, err := b.startDaemon(ctx, "restart", p.config)
	if err != nil {
		return err
	}
	defer d.stop()
	b.add(fmt.Sprintf("restart on a journal of %d readings", b.million), took.Seconds(), 0, "s", "≤ 1", took <= time.Second)
	return nil
}

// fill runs readings through core and journal as the daemon would.
func fill(ctx context.Context, dir string, s core.Settings, readings int) error {
	j, err := journal.Open(ctx, dir, journal.Options{})
	if err != nil {
		return err
	}
	defer j.Close() //nolint:errcheck // the next open tells
	b, err := bridge.Open(j, "machine/m0", bridge.SnapshotVersion, func() bridge.Decider { return &core.State{} })
	if err != nil {
		return err
	}
	mono := int64(0)
	step := func(facts ...core.Fact) error {
		var inputs []core.Input
		for _, f := range facts {
			inputs = append(inputs, core.Input{At: core.Instant{Wall: time.Now().UnixMilli(), Mono: mono}, Fact: f})
		}
		commit, _ := b.Step(inputs, nil)
		for commit != nil {
			err := j.Append(ctx, commit.Records)
			if err != nil {
				return err
			}
			commit, _ = b.Step(nil, &err)
		}
		return nil
	}
	sample := core.Sample{Epoch: 1, Program: "P", Permitted: true, Tools: []int64{0}, Registers: []length.Length{0}}
	if err := step(core.Started{Epoch: 1}, core.Configure{Settings: s}, core.Link{Up: true, Epoch: 1}, sample); err != nil {
		return err
	}
	ch := s.Loops[0].Characteristics[0]
	for n := 1; n <= readings; {
		var facts []core.Fact
		for range 100 {
			mono += 10
			sample.Counter, sample.Order = uint64(n), uint64(n)
			facts = append(facts, sample, core.Reading{
				Gauge: ch.Gauges[0].Gauge, Sequence: uint64(n), Characteristic: ch.Name, Part: fmt.Sprint(n),
				Value: ch.Aim + length.Length(n%5-2)*length.Micrometre,
			})
			n++
		}
		if err := step(facts...); err != nil {
			return err
		}
		if n%20_000 < 100 {
			snap, err := b.Snapshot(j.Head("machine/m0"))
			if err != nil {
				return err
			}
			if err := j.SaveSnapshot(snap); err != nil {
				return err
			}
		}
	}
	return nil
}
