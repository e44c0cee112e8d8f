package core

import "testing"

// A machine that answers good and shows a third value may carry the write out yet:
// until the quarantine has passed and a look has shown what became of it, nothing
// else is written to that register, whoever resumes the loop.
func TestAThirdValueAfterAGoodAnswerIsNoEndOfTheWrite(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome {
		c.regs[0] = 3 * um
		return &Outcome{Intent: in.ID, Result: Differs, Read: 3 * um}
	}
	c.ready()
	in := *c.pending()
	c.held("bore", causeDiffers)
	none[Moved](t, c.look())
	c.resume("bore", engineer)
	for range 3 {
		c.mono += 1000
		none[Intended](t, append(c.part(), c.measure("bore", c.counter)...))
	}
	c.regs[0] = in.New // it acts after all
	none[Moved](t, c.look())
	if c.pending() == nil {
		t.Fatal("the write was closed while it could still act")
	}
	c.mono += 6000
	if o := one[Concluded](t, c.look()); o.Result != Applied || !o.Late {
		t.Fatalf("classified %+v", o)
	}
}

// A look that was taken before a late effect and waited to be decided on says
// nothing of what came of the write.
func TestALookIsAsOldAsItIs(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: Unknown, Code: "m-no-answer"} }
	c.ready()
	in := *c.pending()
	old := c.read()
	old.Read = c.mono
	c.mono += 6000
	none[Concluded](t, c.send(old))
	none[Intended](t, c.measure("bore", c.counter)) // and nothing is fresh by it
	c.regs[0] = in.New
	if o := one[Concluded](t, c.look()); o.Result != Applied {
		t.Fatalf("classified %+v", o)
	}
}
