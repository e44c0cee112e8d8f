// Every text of the page. A language is one object with these keys.
export const en = {
  places: 'Places', queue: 'Queue', machines: 'Machines', hold_all: 'Hold all', resume_all: 'Resume all', footer: 'A size steers the process; it accepts no part. This is no safety function.',
  live: 'live', connecting: 'connecting', stale: 'Not live since {at}. What stands here may be old, nothing can be decided. Connecting again …',
  held_all: 'Everything is on hold: {note} Registers keep their values.', broker: 'No connection to the message broker: readings do not arrive.', unverified: 'The record is still being checked.',
  nothing: 'Nothing waits for anybody.', needs: 'Who needs someone', nobody: 'Nobody. Every loop runs or waits by itself.', every_machine: 'Every machine',
  registers: 'Registers, as the control shows them', register: 'Register', now: 'Now', new: 'New', checks: 'Checks', decides: 'Decides', acts: 'Acts',
  where: '{machine} · part {part}', first: ' · first part', left: 'ends in {t}', ended: 'ended, nothing was changed',
  quiet: 'all quiet', also: '{because}', need: 'at least {role}', need_none: 'decided',
  at_once: 'from the next cut on', 'next cycle': 'from the next cycle on', transit: '{when}; {n} parts cut meanwhile', transit1: '{when}; 1 part cut meanwhile', transit0: '{when}; no part cut meanwhile',
  more: 'cuts more', less: 'cuts less', harmed: 'further from its aim', sizes: '{name}: {before} → {after} from aim',
  approve: 'Approve', again: 'Measure again', again_off: 'Do not measure again', reject: 'Reject', back: 'Back', yes: 'Yes, write it', sure: 'This is a larger change: {regs}',
  larger_role: 'only {role} may approve this', changed: 'Changed just now: look again.',
  marked: '{who} wants part {part} measured again. It is decided after that.', approved: 'Approved by {who}. {waiting}', sending: 'It is being written.',
  proven: 'Proven: {say}.', proven_by: 'Proven: {say}. Approved by {who}.', rejected: 'Rejected by {who}: {say}.', over: 'Ended: {say}.', failed: 'Not written: {say}.', failed_by: 'Not written: {say}. Approved by {who}.',
  mine: 'Your decision is recorded.', refused: '{say}.',
  bar: 'limits {low} to {high}, aim {aim}, measured {measured}, after the change {predicted} {spread}', trend: 'last sizes from aim, oldest first: {all}', trend_none: 'no sizes yet', correction: 'correction',
  aim: 'aim', measured: 'measured', then: 'then', low: 'lower limit', high: 'upper limit', last10: 'last sizes, from aim',
  sign_in: 'Sign in', who: 'Who are you?', pin_of: 'PIN of {name}', pin_again: '{name}, your PIN once more: this is a larger change', pin: 'PIN', close: 'Close', sign_out: 'Sign out', enter: 'Enter', clear: 'Clear', moment: 'A moment, others are before you …', nobody_known: 'No people are configured, see [[person]] in the configuration.',
  viewer: 'a viewer', operator: 'an operator', setter: 'a setter', engineer: 'an engineer', viewer_: 'viewer', operator_: 'operator', setter_: 'setter', engineer_: 'engineer',
  why_reject: 'Why not?', reject_about: 'The same change does not come back until something changes.', own_words: 'or in your own words', do_reject: 'Reject', reasons: ['Chip or dirt', 'Wrong part', 'Gauge in doubt', 'Tool comes out soon', 'Fixed at the machine'],
  hold: 'Hold', resume: 'Resume', do_hold: 'Hold {what}', hold_about: 'Nothing is written any more; registers keep their values.', hold_what: 'why, for the record', everything: 'everything',
  do_resume: 'Resume {what}', resume_about: '{say}', resume_what: 'what you found, for the record', need_note: 'Write what you found.', clears: '{role} or above clears it',
  loops: 'Loops', part: 'part {n}', from_aim: 'part {n} was {d} from aim', budget: '{spent} of {travel} moved by itself', unproven: 'direction not proven yet', first_part: 'first part',
  s_hold: 'on hold', 's_loop-hold': 'a loop is on hold', s_decide: 'decide', s_away: 'away', s_waits: 'waits', s_quiet: 'runs', mode_auto: 'by itself', mode_confirm: 'asks', mode_observe: 'observes',
  lost: 'The page got no answer. Look again before you decide.',
};

// more languages go here, by their code
export const languages = { en };
