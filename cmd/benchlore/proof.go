package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/ledger/proof"
	"benchlore/reports/provenance"
)

// exitUntrusted is the code of a packet that is intact and signed by nobody
// known yet.
const exitUntrusted = 4

// verdictEnd ends a command whose answer, already printed, is a verdict.
type verdictEnd struct{ verdict proof.Verdict }

func (e *verdictEnd) Error() string { return string(e.verdict) }

func (a *app) sealCmd() *cobra.Command {
	var o ledger.SealOptions
	cmd := &cobra.Command{
		Use:   "seal [UNIT]",
		Short: "Sign a statement over a unit's whole history",
		Long: `Signs a statement over everything the unit's history holds: every file, every earlier
version, and the seal before. It is kept as a signed tag of git, which stock
git verify-tag checks. All records must be closed and in order.

It needs an SSH key: git config gpg.format ssh, and git config user.signingkey FILE.`,
		Example: `  benchlore seal a61-10233`,
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				r, err := l.Seal(name, o)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(r)
				}
				verb := "sealed"
				if a.dryRun {
					verb = "would seal"
				}
				fmt.Fprintf(a.out, "%s %s: %s over head %.10s, %s\n", verb, name, r.Tag, r.Head, plural(r.Objects, "object"))
				fmt.Fprintf(a.out, "  signed by  %s\n  statement  %s\n  number     %s, to compare by telephone\n", r.SignedBy, r.Digest, r.Short)
				if r.KeyChange != "" {
					fmt.Fprintf(a.out, "  the key    %s\n", r.KeyChange)
				}
				if r.KeyChange == proof.KeyUnlinked {
					fmt.Fprintln(a.out, "  buyers of older packets cannot tell that both keys are yours: tell them the new\n  fingerprint; with the old key at hand, benchlore keys rotate links the two")
				}
				if r.Unsigned > 0 {
					fmt.Fprintf(a.out, "  %s not signed; from now on this seal vouches for them\n", commitsAre(r.Unsigned))
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&o.UnsignedHistory, "unsigned-history", false, "seal a history with commits that were not signed")
	a.writeFlags(cmd)
	return cmd
}

func commitsAre(n int) string {
	if n == 1 {
		return "1 commit is"
	}
	return fmt.Sprintf("%d commits are", n)
}

func (a *app) handoverCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "handover [UNIT]",
		Short: "Write the one file that goes with a sealed unit",
		Long: `Writes the packet of a unit: one zip with the history, its seals, the report as a page,
as PDF and as JSON, and VERIFY.txt, which tells a stranger how to check all of it
with stock tools. Only a history whose last commit is sealed is handed over.

Tell the buyer the fingerprint of your key another way than in the packet.`,
		Example: `  benchlore handover a61-10233
  benchlore handover a61-10233 -o a61-10233.zip`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				data, h, err := l.Handover(name, provenance.PacketReports())
				if err != nil {
					return err
				}
				if a.output == "" {
					if a.output, err = packetPlace(l.Dir, h.Name); err != nil {
						return err
					}
				}
				if a.output == "-" {
					_, err := a.out.Write(data)
					return err
				}
				if !a.dryRun {
					if err := a.write(func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
						return err
					}
				}
				file := a.output
				a.output = ""
				if a.json {
					return a.printJSON(struct {
						ledger.Handover
						File string `json:"file"`
					}{h, file})
				}
				verb := "wrote"
				if a.dryRun {
					verb = "would write"
				}
				fmt.Fprintf(a.out, "%s %s: %s, %d bytes\n  signed by  %s\n", verb, file, h.Seal, h.Size, h.SignedBy)
				fmt.Fprintf(a.out, "  seal       %s\n  tell the buyer the fingerprint, and this number, another way: on paper or by telephone\n", h.Short)
				return nil
			})
		},
	}
	cmd.Flags().StringVarP(&a.output, "output", "o", "", "write to `FILE`; default: MODEL-TAG-seal-N.zip here, and beside the ledger where this is the ledger's own folder")
	a.writeFlags(cmd)
	return cmd
}

// packetPlace is where a packet goes that is not told: here, but not among the
// ledger's own files.
func packetPlace(ledger, name string) (string, error) {
	here, err := os.Getwd()
	if err != nil {
		return "", err
	}
	if ledger, err = filepath.Abs(ledger); err != nil {
		return "", err
	}
	within := func(dir string) bool {
		return dir == ledger || strings.HasPrefix(dir, ledger+string(filepath.Separator))
	}
	if real, err := filepath.EvalSymlinks(ledger); err == nil && !within(here) {
		ledger = real
	}
	if within(here) {
		return filepath.Join(filepath.Dir(ledger), name), nil
	}
	return name, nil
}

// verifyFlags are what verify and adopt are told about keys and the past.
type verifyFlags struct {
	expect  []string
	revoked []string
	label   string
	seals   []string
	earlier []string
}

func (f *verifyFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringArrayVar(&f.expect, "expect-key", nil, "the `FINGERPRINT` you were told, SHA256:..., which must be the last seal's")
	cmd.Flags().StringArrayVar(&f.revoked, "revoked", nil, "a `FILE` of keys that count no more")
	cmd.Flags().StringVar(&f.label, "label", "", "the `TEXT` of the code on a label or report of this unit")
	cmd.Flags().StringArrayVar(&f.seals, "seal", nil, "the `DIGEST` of an earlier seal's statement, at least 16 digits of it")
	cmd.Flags().StringArrayVar(&f.earlier, "earlier", nil, "an earlier packet, or statement of a seal, in `FILE`")
}

// options gathers what is known: the flags, on top of what a ledger knows.
func (f *verifyFlags) options(o proof.Options) (proof.Options, error) {
	r := provenance.PacketReports()
	o.Label, o.Seals, o.Reports = f.label, f.seals, &r
	if o.Trust == nil {
		o.Trust = &proof.Trust{}
	}
	if o.Trust.Revoked == nil {
		o.Trust.Revoked = proof.Revoked{}
	}
	for _, k := range f.expect {
		if err := proof.CheckFingerprint(k); err != nil {
			return o, err
		}
		o.Trust.Expect = append(o.Trust.Expect, k)
	}
	for _, name := range f.revoked {
		data, err := os.ReadFile(name)
		if err != nil {
			return o, err
		}
		r, err := proof.ParseRevoked(name, data)
		if err != nil {
			return o, err
		}
		for k := range r {
			o.Trust.Revoked[k] = true
		}
	}
	for _, name := range f.earlier {
		data, err := os.ReadFile(name)
		if err != nil {
			return o, err
		}
		o.Earlier = append(o.Earlier, data)
	}
	return o, o.Check()
}

// proofOptions is what the ledger named with --ledger knows; without it, nothing is
// known: what lies around a packet came from whoever sent it.
func (a *app) proofOptions() (proof.Options, error) {
	if a.ledgerDir == "" {
		o := proof.Options{}
		if a.hooks.now != nil {
			o.Now = a.hooks.now()
		}
		return o, nil
	}
	l, err := a.open()
	if err != nil {
		return proof.Options{}, err
	}
	o, err := l.ProofOptions()
	return o, errors.Join(err, l.Close())
}

func (a *app) verifyCmd() *cobra.Command {
	var f verifyFlags
	var report string
	cmd := &cobra.Command{
		Use:   "verify PACKET",
		Short: "Check a packet, a bundle, an unpacked packet or a clone",
		Long: `Checks everything a packet holds against everything else in it, compares the report's
facts with the records, and says who signed which part. Nothing is written. The
gravest of these is the verdict:

  1  broken, or signed with a revoked key, and where
  3  written by a newer program, or in a way this one does not read
  4  intact, but signed by a key you have no reason to trust yet: get the
     fingerprint by telephone or from the shop's site
  5  the history is trusted, but the report could not be compared with it
  0  all good: the last seal's key is the one you named with --expect-key, or
     signers of the ledger you named with --ledger has it

A key counts only if you named it, or a ledger you named does. The page and the PDF
decide nothing: it is said whether they are the ones this program makes.

An earlier packet, seal or label of the unit shows whether its history was
shortened, forked or replaced since: --earlier, --seal, --label.`,
		Example: `  benchlore verify astrella-61-a61-10233-seal-1.zip --expect-key SHA256:...
  benchlore verify packet.zip --earlier last-year.zip`,
		Args: args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			o, err := a.proofOptions()
			if err != nil {
				return err
			}
			if o, err = f.options(o); err != nil {
				return err
			}
			v, err := ledger.Verify(list[0], o)
			if err != nil {
				return err
			}
			if report != "" {
				if err := a.ownReport(report, v); err != nil {
					return err
				}
			}
			if a.json {
				err = a.printJSON(v)
			} else {
				err = a.write(func(w io.Writer) error { printVerification(w, list[0], v); return nil })
			}
			if err != nil {
				return err
			}
			if v.Verdict == proof.Trusted {
				return nil
			}
			return &verdictEnd{v.Verdict}
		},
	}
	cmd.Flags().StringVar(&report, "report", "", "write the page this program makes from the history to `FILE`, .html or .pdf")
	f.add(cmd)
	a.printFlags(cmd)
	return cmd
}

// ownReport writes the report as the history tells it.
func (a *app) ownReport(name string, v *proof.Verification) error {
	file := proof.ReportPage
	switch {
	case strings.HasSuffix(name, ".pdf"):
		file = proof.ReportPrint
	case !strings.HasSuffix(name, ".html"):
		return usagef("end it in .html or .pdf", "--report %q: the name does not say which report", name)
	}
	if v.Travelled() == nil {
		return nil // the verdict says why there is none
	}
	files, err := provenance.RenderPacket(v.Travelled())
	if err != nil {
		return err
	}
	return os.WriteFile(name, files[file], 0o666)
}

// printVerification says what was found. The verdict stands first, alone. The words
// of a packet are a stranger's: nothing in them may move the cursor, fill a line so
// that the next one looks like ours, or stand at its beginning.
func printVerification(w io.Writer, name string, v *proof.Verification) {
	line := func(format string, args ...any) { fmt.Fprintln(w, cut(harmless(fmt.Sprintf(format, args...)), 79)) }
	item := func(first, next, format string, args ...any) {
		for i, words := range foldHard(harmless(fmt.Sprintf(format, args...)), 79-len(next)) {
			fmt.Fprintln(w, [...]string{first, next}[min(i, 1)]+words)
		}
	}
	line("%s", v.Verdict)
	line("")
	item("  file      ", "            ", "%s", name)
	if v.Head != "" {
		line("  unit      %s", v.Unit)
		line("  identity  %s", v.UUID)
		line("  history   %s, head %s", plural(v.Commits, "commit"), v.Head)
	}
	if v.Key != "" {
		line("  sealed by %s", v.Key)
		item("            ", "            ", "%s", keyStanding(v.Standing, v.Why))
		line("  seal      %s", v.Short)
	}
	if v.PacketKey != "" && v.PacketKey != v.Key {
		line("  packed by %s", v.PacketKey)
	}
	if v.Parts.Facts == proof.Trusted {
		line("  facts     %s says what the records say", proof.ReportData)
	}
	for i, p := range v.Pages {
		line("%s%s", [...]string{"  pages     ", "            "}[min(i, 1)], p)
	}
	for _, part := range []struct {
		title   string
		warning bool
		count   int
	}{{"what is wrong", false, v.FlawCount}, {"worth knowing", true, v.RemarkCount}} {
		shown := 0
		for _, f := range v.Flaws {
			if f.Warning != part.warning {
				continue
			}
			if shown++; shown == 1 {
				line("")
				line("%s", part.title)
			}
			item("  - ", "    ", "%s: %s: %s", f.Check, f.Place, f.What)
		}
		if part.count > shown {
			line("  and %d more", part.count-shown)
		}
	}
	if len(v.Seals) > 0 {
		line("")
		line("seals")
		for i, s := range v.Seals {
			if hidden := len(v.Seals) - mostListed; i < hidden {
				if i == 0 {
					line("  %s before these", plural(hidden, "seal"))
				}
				continue
			}
			line("  %s  %s  %s", s.Short, s.Sealed.Format(time.DateOnly), s.Shop)
			line("     %s", s.Key)
			item("     ", "     ", "%s", keyStanding(s.Standing, s.Why))
			if s.KeyChange != "" {
				item("     ", "     ", "%s", s.KeyChange)
			}
			line("     statement %s", s.Statement)
		}
	}
	if len(v.Stretches) > 0 {
		line("")
		line("who signed what")
		for _, s := range v.Stretches {
			key := s.Key
			if key == "" {
				key = "no signature that counts"
			}
			days := s.From.Format(time.DateOnly)
			if last := s.To.Format(time.DateOnly); last != days {
				days += " to " + last
			}
			line("  %s, %.10s to %.10s, %s", plural(s.Commits, "commit"), s.First, s.Last, days)
			line("     %s, by their own word", s.Who)
			if s.Shop != "" {
				line("     for %s", s.Shop)
			}
			line("     %s", key)
			item("     ", "     ", "%s", keyStanding(s.Standing, s.Why))
		}
		if more := v.StretchCount - len(v.Stretches); more > 0 {
			line("  and %s more", plural(more, "stretch of commits"))
		}
	}
	if v.Verdict == proof.Broken || v.Verdict == proof.Unreadable {
		return
	}
	line("")
	line("what no signature proves")
	for _, s := range v.NotProved {
		item("  - ", "    ", "%s", s)
	}
	if v.Verdict == proof.Untrusted {
		line("")
		line("Have the fingerprint read out by the shop, on a number that is not from the")
		line("packet, and give what you hear, not what stands above:")
		line("  benchlore verify PACKET --expect-key SHA256:...")
	}
}

// mostListed is how many seals stand on a screen; JSON has all.
const mostListed = 20

// cut shortens a line to so many columns. Letters of the East take two.
func cut(s string, width int) string {
	n := 0
	for i, r := range s {
		if n += columns(r); n > width {
			return strings.TrimRight(s[:i], " ")
		}
	}
	return s
}

// columns is how wide a letter stands on a terminal, at most.
func columns(r rune) int {
	if r >= 0x1100 {
		return 2
	}
	return 1
}

// foldHard breaks text into lines of so many columns, between words where it can.
func foldHard(s string, width int) []string {
	var out []string
	for _, words := range fold(s, width) {
		for {
			head := cut(words, width)
			out = append(out, head)
			if len(head) >= len(strings.TrimRight(words, " ")) {
				break
			}
			words = strings.TrimLeft(words[len(head):], " ")
		}
	}
	return out
}

func keyStanding(s proof.Standing, why string) string {
	switch {
	case why == "" && s == proof.KeyUnknown:
		return "not known here, so there is no reason to trust it yet"
	case why == "":
		return string(s)
	}
	return string(s) + ": " + why
}

// harmless replaces what does not show or turns the direction of text.
func harmless(s string) string {
	return strings.Map(func(r rune) rune {
		if proof.Hidden(r) || r == '\n' || r == '\t' {
			return '?'
		}
		return r
	}, s)
}

func (a *app) adoptCmd() *cobra.Command {
	var f verifyFlags
	var o ledger.AdoptOptions
	cmd := &cobra.Command{
		Use:   "adopt PACKET",
		Short: "Take a unit over from another bench, with its history",
		Long: `Verifies a packet without writing anything, and takes it in only if nothing is wrong and
it continues whatever the ledger holds of the unit. The history comes in as it is,
with its seals; a record that the unit was received is put on top. Records of
other benches keep their technicians, test instruments and lots: they are theirs.

A packet signed by a key there is no reason to trust yet needs --expect-key with
the fingerprint the shop told you, or --trust to accept it unseen. Which of the
two, and who decided, is kept in adopted/MODEL/TAG.toml.`,
		Example: `  benchlore adopt astrella-61-a61-10233-seal-1.zip --expect-key SHA256:...`,
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				known, err := l.ProofOptions()
				if err != nil {
					return err
				}
				if o.Verify, err = f.options(known); err != nil {
					return err
				}
				if o.By, err = a.by(l, o.By); err != nil {
					return err
				}
				packet, err := os.ReadFile(list[0])
				if err != nil {
					return err
				}
				r, err := l.Adopt(packet, o)
				var broken *ledger.BrokenError
				if errors.As(err, &broken) {
					printVerification(a.err, list[0], broken.Verification)
				}
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(r)
				}
				verb := "adopted"
				if a.dryRun {
					verb = "would adopt"
				}
				fmt.Fprintf(a.out, "%s %s from %s: %s, %s, head %.10s\n", verb, r.Unit, harmless(r.From), plural(r.Verification.Commits, "commit"),
					plural(len(r.Verification.Seals), "seal"), r.Head)
				fmt.Fprintf(a.out, "  key       %s, %s\n  received  %s\n", r.Verification.Key, harmless(keyStanding(r.Verification.Standing, r.Verification.Why)), r.Received)
				for _, n := range r.Notes {
					fmt.Fprintf(a.out, "  note      %s\n", harmless(n))
				}
				shown := 0
				for _, w := range r.Verification.Flaws {
					if w.Warning {
						shown++
						fmt.Fprintf(a.out, "  note      %s: %s: %s\n", w.Check, harmless(w.Place), harmless(w.What))
					}
				}
				if more := r.Verification.RemarkCount - shown; more > 0 {
					fmt.Fprintf(a.out, "  and %d more; see: benchlore verify %s\n", more, harmless(list[0]))
				}
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&o.As, "as", "", "what to call it here, `MODEL/TAG`; default: its name at the other bench")
	cmd.Flags().StringVar(&o.By, "by", "", "the technician's `ID` who receives it")
	cmd.Flags().BoolVar(&o.Trust, "trust", false, "accept a key there is no reason to trust yet")
	f.add(cmd)
	a.writeFlags(cmd)
	return cmd
}

func (a *app) keysCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keys",
		Short: "The shop's key, and whose signatures count here",
		Long: `keys new makes the shop's key. The others say whose signatures count.

Without a word after it, lists the keys of signers and revoked, and of git's allowed-signers file, with their
fingerprints. signers is an allowed-signers file of OpenSSH, revoked a list of
keys that count no more, whatever date they sign with.

A key that was lost, and nobody has: make a new one, and seal again. Buyers of older
packets cannot tell that both are yours, so tell them the new fingerprint.
A key that somebody else may have: revoke it first (keys revoke), make a new one, add
a note to the units you sold, close and seal them, and tell everybody who holds a
packet both fingerprints. A new key while the old one is safe: keys rotate.`,
		Example: `  benchlore keys
  benchlore keys new`,
		Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			return a.with(func(l *ledger.Ledger) error {
				keys, err := l.Keys()
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(keys)
				}
				return a.write(func(w io.Writer) error { printKeys(w, keys); return nil })
			})
		},
	}
	a.printFlags(cmd)
	cmd.AddCommand(a.keysNewCmd(), a.keysUseCmd(), a.keysAddCmd(), a.keysRevokeCmd(), a.keysRotateCmd())
	return cmd
}

func printKeys(w io.Writer, keys []ledger.KeyEntry) {
	if len(keys) == 0 {
		fmt.Fprintln(w, "no key is known here; make the shop's key: benchlore keys new")
		return
	}
	for _, k := range keys {
		who := k.Principals
		if who == "" {
			who = "(not listed in signers)"
		}
		fmt.Fprintln(w, harmless(strings.TrimSpace(fmt.Sprintf("%s  %s  %s", k.Fingerprint, k.Type, who))))
		var notes []string
		add := func(on bool, format string, args ...any) {
			if on {
				notes = append(notes, fmt.Sprintf(format, args...))
			}
		}
		add(k.Revoked, "REVOKED")
		add(k.Own, "this copy signs with it")
		add(k.CertAuthority, "an authority: what counts is whom it certifies")
		if k.After != nil {
			add(true, "valid from %s", k.After.Format(time.DateTime))
		}
		if k.Before != nil {
			add(true, "valid until %s", k.Before.Format(time.DateTime))
		}
		add(k.Namespaces != "", "signs %s", k.Namespaces)
		add(k.RotatedTo != "", "passed on to %s", k.RotatedTo)
		add(true, "in %s", k.File)
		fmt.Fprintln(w, harmless("  "+strings.Join(notes, "; ")))
	}
}

// keyText is a key given as a file, else the text itself.
func keyText(s string) (string, error) {
	if strings.HasPrefix(s, "ssh-") || strings.HasPrefix(s, "ecdsa-") || strings.HasPrefix(s, "sk-") || strings.HasPrefix(s, "SHA256:") {
		return s, nil
	}
	data, err := os.ReadFile(s)
	return strings.TrimSpace(string(data)), err
}

func (a *app) keysNewCmd() *cobra.Command {
	var file, principal string
	var open bool
	cmd := &cobra.Command{
		Use:   "new",
		Short: "Make the shop's key and sign with it from now on",
		Long: `Makes an Ed25519 key as OpenSSH keeps them, has git sign with it in this copy of the
ledger, and accepts it in signers. It never writes over a key. ssh-keygen, ssh-agent
and git use the key like any other.

It asks for a passphrase, which is then asked for by every command that signs, unless
ssh-agent holds the key. Enter alone makes a key that whoever reads the file can use.

The key goes to .ssh in your home folder. It is not in the ledger and in no backup of
it: keep a copy of it elsewhere, such as on a memory stick in the safe. Give its
fingerprint to buyers by another way than the packet: on the invoice, on the shop's
own page, by telephone.`,
		Example: `  benchlore keys new
  benchlore keys new --no-passphrase`,
		Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			return a.with(func(l *ledger.Ledger) error {
				var pass []byte
				if !open && !a.dryRun {
					var err error
					if pass, err = a.newPassphrase(); err != nil {
						return err
					}
				}
				k, err := l.MakeKey(file, principal, pass)
				if err != nil {
					return err
				}
				if a.json || a.dryRun {
					return a.signing(k, "would make")
				}
				fmt.Fprintf(a.out, "the shop's key is in %s\n  it is in no backup of the ledger: keep a copy of it elsewhere\n", k.File)
				fmt.Fprintf(a.out, "its fingerprint is %s\n  give it to buyers by another way than the packet\n", k.Fingerprint)
				return a.signing(k, "")
			})
		},
	}
	cmd.Flags().StringVar(&file, "file", "", "where the key goes, outside the ledger; default: .ssh in your home folder")
	cmd.Flags().StringVar(&principal, "for", "", "the `MAIL-ADDRESS` it is accepted for; default: yours, as git has it")
	cmd.Flags().BoolVar(&open, "no-passphrase", false, "do not ask for a passphrase: whoever reads the file can sign with it")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) keysUseCmd() *cobra.Command {
	var principal string
	cmd := &cobra.Command{
		Use:   "use FILE",
		Short: "Sign with a key you have, from now on",
		Long: `Has git sign in this copy of the ledger with the key in FILE, private or public, and
accepts it in signers where it is not accepted yet: the shop's key on a second
bench, or a key that took over from another.`,
		Example: `  benchlore keys use ~/.ssh/id_ed25519`,
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				k, err := l.SignWith(list[0], principal)
				if err != nil {
					return err
				}
				return a.signing(k, "would sign with")
			})
		},
	}
	cmd.Flags().StringVar(&principal, "for", "", "the `MAIL-ADDRESS` it is accepted for; default: yours, as git has it")
	a.writeFlags(cmd)
	return cmd
}

// signing says with which key this copy of the ledger signs now.
func (a *app) signing(k ledger.Signing, would string) error {
	if a.json {
		return a.printJSON(k)
	}
	if a.dryRun {
		_, err := fmt.Fprintf(a.out, "%s %s\n", would, k.File)
		return err
	}
	if k.Subject != "" {
		fmt.Fprintf(a.out, "saved %s\n  %s\n", strings.Join(k.Files, ", "), k.Subject)
	}
	_, err := fmt.Fprintf(a.out, "this copy of the ledger signs with %s from now on\n", k.Fingerprint)
	return err
}

func (a *app) keysAddCmd() *cobra.Command {
	var k ledger.NewKey
	cmd := &cobra.Command{
		Use:     "add MAIL-ADDRESS KEY",
		Short:   "Accept a key: a .pub file, or its one line",
		Example: `  benchlore keys add jt@halden-street.example jt.pub`,
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				var err error
				k.Principal = list[0]
				if k.Key, err = keyText(list[1]); err != nil {
					return err
				}
				r, err := l.AddKey(k)
				return a.keysSaved(r, err)
			})
		},
	}
	cmd.Flags().StringVar(&k.After, "valid-after", "", "count signatures from this `TIME` on: 20310304 or 20310304100000Z")
	cmd.Flags().StringVar(&k.Before, "valid-before", "", "count signatures until this `TIME`")
	cmd.Flags().StringVar(&k.Namespaces, "namespaces", "", "what it may sign; default: "+proof.OwnNamespaces)
	cmd.Flags().BoolVar(&k.CertAuthority, "cert-authority", false, "the key certifies others; MAIL-ADDRESS is whom")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) keysRevokeCmd() *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use:   "revoke KEY",
		Short: "Let a key count no more: SHA256:..., a .pub file, or its one line",
		Long: `Puts a key on the list revoked. There is no way back, and no date: whoever stole a key
can sign with any date. Tell those who hold your packets, with the fingerprint of
the key that takes its place.`,
		Example: `  benchlore keys revoke SHA256:... --reason "laptop stolen"`,
		Args:    args(cobra.ExactArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				text, err := keyText(list[0])
				if err != nil {
					return err
				}
				r, err := l.RevokeKey(text, reason)
				return a.keysSaved(r, err)
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "why, in one line")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) keysRotateCmd() *cobra.Command {
	var principal string
	cmd := &cobra.Command{
		Use:   "rotate OLD NEW",
		Short: "Pass trust on from an old key to a new one, signed with both",
		Long: `Writes keys/DATE-rotation-XXXX.toml, signed with both keys, and accepts the new key. It
travels in every seal made from now on, so that whoever trusts the old key can
trust the new one. OLD and NEW are private keys, or public ones whose private
key lies beside them or is held by ssh-agent.

Sign with the new key from then on: benchlore keys use NEW. A key that was stolen
is not rotated but revoked.`,
		Example: `  benchlore keys rotate ~/.ssh/old ~/.ssh/new`,
		Args:    args(cobra.ExactArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				from, err := l.KeyFile(list[0])
				if err != nil {
					return err
				}
				to, err := l.KeyFile(list[1])
				if err != nil {
					return err
				}
				r, err := l.RotateKey(from, to, principal)
				return a.keysSaved(r, err)
			})
		},
	}
	cmd.Flags().StringVar(&principal, "for", "", "the `MAIL-ADDRESS` of the new key in signers; default: the old one's")
	a.writeFlags(cmd)
	return cmd
}

func (a *app) keysSaved(r ledger.Result, err error) error {
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(r)
	}
	verb := "saved"
	if a.dryRun {
		verb = "would save"
	}
	_, err = fmt.Fprintf(a.out, "%s %s\n  %s\n", verb, strings.Join(r.Files, ", "), r.Subject)
	return err
}
