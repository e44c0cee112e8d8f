package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"offsetbridge/internal/web"
	"offsetbridge/simulators/machine"
)

// broker is a Mosquitto of our own, on a free port.
type broker struct {
	cmd *exec.Cmd
	url string
}

func (b *bench) startBroker(inFlight int) (*broker, error) {
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto"
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	address := l.Addr().String()
	l.Close() //nolint:errcheck // only to find a free port
	_, port, _ := net.SplitHostPort(address)
	file := filepath.Join(b.dir, "mosquitto-"+port+".conf")
	text := join("listener "+port+" 127.0.0.1", "allow_anonymous true", "set_tcp_nodelay true",
		"max_inflight_messages "+strconv.Itoa(inFlight), "max_queued_messages 2000000", "log_type none", "")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		return nil, err
	}
	cmd := exec.Command(program, "-c", file)
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("mosquitto does not start, install it: %w", err)
	}
	for range 200 {
		if c, err := net.Dial("tcp", address); err == nil {
			c.Close() //nolint:errcheck // only a probe
			return &broker{cmd: cmd, url: "tcp://" + address}, nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return nil, errors.New("mosquitto does not answer within 2 s")
}

func (b *broker) stop() {
	b.cmd.Process.Kill() //nolint:errcheck // gone already
	b.cmd.Wait()         //nolint:errcheck // killed
}

// daemon is the program under measurement.
type daemon struct {
	cmd    *exec.Cmd
	client *web.Client
	ended  <-chan struct{}
}

// startDaemon writes the configuration and runs the program on it; it returns
// when the program answers on its socket, and how long that took.
func (b *bench) startDaemon(ctx context.Context, name, config string) (*daemon, time.Duration, error) {
	dir := filepath.Join(b.dir, name)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, 0, err
	}
	file := filepath.Join(dir, "cell.toml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		return nil, 0, err
	}
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		return nil, 0, err
	}
	began := time.Now()
	d := &daemon{cmd: exec.Command(b.binary, "run", "-c", file), client: web.NewClient(filepath.Join(dir, "journal", "offsetbridge.sock"))}
	d.cmd.Stderr = log
	if err := d.cmd.Start(); err != nil {
		return nil, 0, err
	}
	ended := make(chan struct{})
	go func() {
		d.cmd.Wait() //nolint:errcheck // its log says why
		close(ended)
	}()
	d.ended = ended
	for limit := time.After(2 * time.Minute); ; {
		var s web.Status
		if d.client.Get(ctx, "/v1/status", nil, &s) == nil {
			return d, time.Since(began), nil
		}
		select {
		case <-ended:
		case <-limit:
			d.stop()
		case <-time.After(2 * time.Millisecond):
			continue
		}
		text, _ := os.ReadFile(log.Name()) //nolint:errcheck // best effort
		return nil, 0, fmt.Errorf("the program does not answer: %s", text)
	}
}

func (d *daemon) stop() {
	d.cmd.Process.Signal(syscall.SIGTERM) //nolint:errcheck // gone already
	<-d.ended
}

// cpu returns the processor time the program has used.
func (d *daemon) cpu() (time.Duration, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", d.cmd.Process.Pid))
	if err != nil {
		return 0, err
	}
	fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+2:]))
	user, err1 := strconv.Atoi(fields[11])
	system, err2 := strconv.Atoi(fields[12])
	const tick = 10 * time.Millisecond // USER_HZ is 100 on Linux
	return time.Duration(user+system) * tick, errors.Join(err1, err2)
}

// resident returns the resident memory of a process in MB.
func resident(pid int) (float64, error) {
	f, err := os.Open(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	defer f.Close() //nolint:errcheck // only read from
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), "VmRSS:"); ok {
			kb, err := strconv.Atoi(strings.Fields(rest)[0])
			return float64(kb) / 1024, err
		}
	}
	return 0, errors.New("no VmRSS line")
}

// plantOf is a plant of simulated machines with its configuration.
type plantOf struct {
	machines []*machine.Server
	config   string
}

// build starts machines with loops each and writes their configuration.
func build(brokerURL string, machines, loops int) (*plantOf, error) {
	p := &plantOf{}
	var c strings.Builder
	fmt.Fprintf(&c, "version = 1\n[journal]\ndirectory = \"journal\"\n[mqtt]\nbroker = %q\nclient_id = \"bench\"\n", "mqtt"+strings.TrimPrefix(brokerURL, "tcp"))
	for m := range machines {
		name := fmt.Sprintf("m%d", m)
		o := machine.Options{Serial: "BENCH-" + name, Name: name, Program: "P"}
		for l := range loops {
			o.Tools = append(o.Tools, machine.Tool{Name: fmt.Sprintf("T%d", l)})
			o.Registers = append(o.Registers, machine.Register{
				Name: fmt.Sprintf("R%d", l), Tool: fmt.Sprintf("T%d", l), Unit: "mm", Kind: "diameter", Resolution: 0.001, Min: -5, Max: 5,
			})
		}
		s, err := machine.Start(o)
		if err != nil {
			p.close()
			return nil, err
		}
		p.machines = append(p.machines, s)
		writeMachine(&c, name, s, loops)
	}
	p.config = c.String()
	return p, nil
}

func writeMachine(c *strings.Builder, name string, s *machine.Server, loops int) {
	fmt.Fprintf(c, `
[[machine]]
name = %q
serial = "BENCH-%s"
demo = true
endpoint = %q
security_policy = "None"
security_mode = "None"
counts_at = "end"
effective = "at once"
[machine.nodes]
serial = %q
counter = %q
program = %q
permitted = %q
permitted_when = ["true"]
`, name, name, s.Endpoint(), s.NodeID("serial"), s.NodeID("counter"), s.NodeID("program"), s.NodeID("permitted"))
	for l := range loops {
		fmt.Fprintf(c, "[[machine.tool]]\nname = \"T%d\"\ngeneration = %q\n", l, s.NodeID(fmt.Sprintf("tool/T%d/generation", l)))
		fmt.Fprintf(c, "[[machine.register]]\nname = \"R%d\"\ntool = \"T%d\"\nnode = %q\nkind = \"diameter\"\nunit = \"mm\"\nstep = \"0.001 mm\"\nband = \"-5..5 mm\"\n",
			l, l, s.NodeID(fmt.Sprintf("register/R%d", l)))
		gauge, char := fmt.Sprintf("%s-g%d", name, l), fmt.Sprintf("%s bore %d", name, l)
		fmt.Fprintf(c, `
[[gauge]]
name = %q
topic = "bench/{machine}/{gauge}"
identity = "counter"
range = "0..60 mm"
resolution = "0.0001 mm"
max_decimals = 4
time_format = "rfc3339"
message = { value = "/value", unit = "/unit", sequence = "/sequence", time = "/time", characteristic = "/characteristic", machine = "{machine}", part = "/part", state = "=production" }
[[loop]]
name = "L%d"
machine = %q
program = "P"
mode = "auto"
registers = ["R%d"]
[loop.bounds]
auto_step = "0.01 mm"
operator_step = "0.015 mm"
setter_step = "0.02 mm"
travel = "50 mm"
[[loop.characteristic]]
name = %q
limits = "24.98..25.02 mm"
operation = "milled bore"
gauges = [%q]
`, gauge, l, name, l, char, gauge)
	}
}

func (p *plantOf) close() {
	for _, s := range p.machines {
		s.Close() //nolint:errcheck // a simulator
	}
}

// cycle lets every machine cut one part.
func (p *plantOf) cycle() {
	for _, s := range p.machines {
		s.BeginCycle()
		s.EndCycle()
	}
}

// upTo waits until the program has seen every machine and its last part.
func (p *plantOf) upTo(ctx context.Context, d *daemon, count uint64) error {
	for began := time.Now(); time.Since(began) < time.Minute; time.Sleep(20 * time.Millisecond) {
		var s web.Status
		if err := d.client.Get(ctx, "/v1/status", nil, &s); err != nil {
			return err
		}
		ready := s.Broker.Up && len(s.Machines) == len(p.machines)
		for _, m := range s.Machines {
			ready = ready && m.Up && m.Counter >= count
		}
		if ready {
			return nil
		}
	}
	return errors.New("the program does not see its machines within 1 min")
}

// pair starts a broker and one machine with one loop.
func (b *bench) pair() (br *broker, p *plantOf, stop func(), err error) {
	if br, err = b.startBroker(1000); err != nil {
		return nil, nil, nil, err
	}
	if p, err = build(br.url, 1, 1); err != nil {
		br.stop()
		return nil, nil, nil, err
	}
	return br, p, func() { p.close(); br.stop() }, nil
}
