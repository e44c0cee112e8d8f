package core

// approve takes a person's yes. It binds to exactly what they saw.
func (d *decision) approve(f Approve) {
	p := d.s.proposal(f.Proposal)
	decline := func(c Code) {
		e := Declined{What: "approve", Ref: f.Proposal, Cause: c, Who: f.Who}
		if p != nil {
			e.Loop = p.Loop
		}
		d.emit(e)
	}
	switch {
	case p == nil:
		decline(declineGone)
	case p.Approval != nil && p.Approval.Principal == f.Who.Principal && f.Digest == p.Digest:
		// the same yes once more: it has had its effect
	case p.Status != Pending:
		decline(declineDecided)
	case f.Digest != p.Digest:
		decline(declineDigest)
	case !f.Who.Role.May(p.Need):
		decline(declineRole)
	case d.s.HoldOn(p.Loop) != nil:
		decline(declineHeld)
	case d.expired(p):
		decline(declineExpired)
	case p.Again != nil:
		decline(declineAgain)
	case p.Two && !f.Who.known():
		decline(declineProgram)
	case p.Two && p.Agreed != nil && p.Agreed.Principal == f.Who.Principal:
		// their yes is on record, and is one of two
	default:
		d.emit(Approved{Proposal: p.ID, Loop: p.Loop, Who: f.Who, Another: p.Two && p.Agreed == nil})
	}
}

// reject takes a person's no. The same change is not proposed again until
// something changes.
func (d *decision) reject(f Reject) {
	p := d.s.proposal(f.Proposal)
	switch {
	case p == nil:
		d.emit(Declined{What: "reject", Ref: f.Proposal, Cause: declineGone, Who: f.Who})
	case p.Status == Sent || p.Done > 0:
		d.emit(Declined{What: "reject", Ref: f.Proposal, Loop: p.Loop, Cause: declineDecided, Who: f.Who})
	case !f.Who.Role.May(Operator):
		d.emit(Declined{What: "reject", Ref: f.Proposal, Loop: p.Loop, Cause: declineRole, Who: f.Who})
	case f.Reason == "":
		d.emit(Declined{What: "reject", Ref: f.Proposal, Loop: p.Loop, Cause: declineReason, Who: f.Who})
	default:
		d.void(p, Voided{Cause: causeRejected, Reason: clip(f.Reason), Who: &f.Who})
	}
}

// holdBy stops a loop or the machine at once. Anybody who may operate may stop.
func (d *decision) holdBy(f Hold) {
	switch {
	case !f.Who.Role.May(Operator):
		d.emit(Declined{What: "hold", Loop: f.Loop, Cause: declineRole, Who: f.Who})
	case f.Loop != "" && d.set().Loop(f.Loop) == nil:
		d.emit(Declined{What: "hold", Loop: f.Loop, Cause: declineNoLoop, Who: f.Who})
	case d.s.hold(f.Loop) != nil && (!f.Plant || d.s.heldBy(f.Loop, causeHoldAll) != nil): // latched already, with its first cause
		d.emit(Declined{What: "hold", Loop: f.Loop, Cause: declineHeldAlready, Who: f.Who})
	default:
		cause := causeByHand
		if f.Plant {
			cause = causeHoldAll
		}
		d.emit(Held{Loop: f.Loop, Cause: cause, Text: clip(f.Note), Clear: Operator, Who: &f.Who})
		d.voidUnsent(f.Loop, causeHeld)
	}
}

// resume clears a latched hold. It must name the cause, so that nobody clears
// what they have not looked at.
func (d *decision) resume(f Resume) {
	h := d.s.hold(f.Loop)
	if named := d.s.heldBy(f.Loop, f.Cause); named != nil {
		h = named
	}
	decline := func(c Code) {
		d.emit(Declined{What: "resume", Loop: f.Loop, Cause: c, Who: f.Who})
	}
	switch {
	case h == nil:
		decline(declineNotHeld)
	case h.Cause != f.Cause:
		decline(declineCause)
	case !f.Who.Role.May(h.Clear):
		decline(declineRole)
	case f.Note == "":
		decline(declineReason)
	default:
		if h.Cause == causeCounter {
			d.giveUpWaiting() // their numbers may be those of the run before
		}
		d.emit(Resumed{Loop: f.Loop, Cause: f.Cause, Note: clip(f.Note), Who: f.Who})
	}
}
