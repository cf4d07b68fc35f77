package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/ledger/proof"
	"benchlore/ledger/slate"
	"benchlore/reports/advert"
	"benchlore/reports/label"
	"benchlore/reports/page"
	"benchlore/reports/provenance"
	"benchlore/reports/reliability"
	"benchlore/schema"
	"benchlore/schema/entry"
)

const reportLong = `Page one answers what a buyer asks; the pages after it are for the next bench.

The output is text, unless --json, --html or the ending of -o FILE says otherwise:
.txt .json .html .pdf. An HTML report is one file with its pictures in it, without scripts or
anything from the network; it prints on A4 and Letter. A PDF has --paper a4 or letter.`

func (a *app) reportCmd() *cobra.Command {
	var html bool
	var paper string
	cmd := &cobra.Command{
		Use:   "report [UNIT]",
		Short: "A unit's provenance report: page one for a buyer, the rest for the next bench",
		Long:  reportLong,
		Example: `  benchlore report a61-10233
  benchlore report a61-10233 -o report.pdf --paper letter`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			format, err := a.reportFormat(html)
			if err != nil {
				return err
			}
			size, ok := map[string]page.Paper{"a4": page.A4, "letter": page.Letter}[strings.ToLower(paper)]
			if !ok {
				return usagef("write a4 or letter", "--paper %q is not a paper size", paper)
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				return a.report(l, name, format, size)
			})
		},
	}
	cmd.Flags().BoolVar(&html, "html", false, "print one HTML page with its pictures")
	cmd.Flags().StringVar(&paper, "paper", "a4", "the `SIZE` of a PDF's pages: a4, letter")
	a.printFlags(cmd)
	return cmd
}

// reportFormat is how a report is written: what a flag asks for, else what the
// ending of -o says, else text.
func (a *app) reportFormat(html bool) (string, error) {
	switch {
	case a.json && html:
		return "", usagef("choose one of them", "--json and --html are two formats")
	case a.json:
		return ".json", nil
	case html:
		return ".html", nil
	}
	ending := strings.ToLower(filepath.Ext(a.output))
	if known := []string{".txt", ".json", ".html", ".pdf"}; ending != "" && !slices.Contains(known, ending) {
		return "", unknownEnding(a.output, known)
	}
	return ending, nil
}

// report writes a unit's report in a format of reportFormat.
func (a *app) report(l *ledger.Ledger, name, format string, paper page.Paper) error {
	p, err := provenance.Of(l, name)
	if err != nil {
		return err
	}
	code := "" // what the QR code says, on paper that has one
	if format == ".html" || format == ".pdf" {
		head, seal, err := sealedHead(l, name)
		if err != nil {
			return err
		}
		if head != "" {
			code = proof.QRText(p.Unit.UUID, head, digestOf(seal))
		}
	}
	return a.write(func(w io.Writer) error {
		switch format {
		case ".json":
			return p.WriteJSON(w)
		case ".html":
			o := provenance.HTMLOptions{Photos: unitFile(l, name)}
			if code != "" {
				if o.QR, err = page.QRImage(code); err != nil {
					return err
				}
			}
			return p.WriteHTML(w, o)
		case ".pdf":
			return p.WritePDF(w, provenance.PDFOptions{Paper: paper, Code: code, Photos: unitFile(l, name)})
		}
		return p.WriteText(w, page.TextOptions{Width: min(a.width(), 100)})
	})
}

// unitFile reads files of a unit's folder, and none outside it whatever a
// record calls them.
func unitFile(l *ledger.Ledger, name string) func(string) ([]byte, error) {
	return func(file string) ([]byte, error) {
		folder, err := os.OpenRoot(filepath.Join(l.Dir, "instruments", filepath.FromSlash(name)))
		if err != nil {
			return nil, err
		}
		defer folder.Close()
		return folder.ReadFile(filepath.FromSlash(file))
	}
}

// reliabilityFlags are the choices of the reliability command. The zero value
// is what the command does without flags.
type reliabilityFlags struct {
	by         []string
	origin     string
	failure    string
	time       string
	asOf       string
	silence    string
	confidence float64
	fromCSV    string
	export     string
	fitAnyway  bool
	csv, html  bool
	plot       string
	group      string // one of them; empty: all
	all        bool
	whatHelps  bool
}

const reliabilityLong = `Says which families were found failed in the units that came to this bench, in what
share of them, and how sure that is. FAMILY tells of one, in words and with a picture;
--all adds rates, wear, ranks and comebacks, each with its interval or the reason why
the records carry none; --what-helps says what to record for better figures.

--by takes: %s; several, with commas, for
combinations. Keys other than family and group also compare: the makers, lots, kit
revisions ... of each family with one another.

--export writes the observations behind the figures, --from-csv reads such a file,
or one of your own, in place of the ledger: CSV with the columns
unit,group,entry,lower,upper,count, of which lower and upper must be there. A part
failed after lower and by upper; an empty lower is 0, an empty upper is one that
had not failed, both equal are an exact age. Rows of a group whose name ends in
" (age not known)" count in the rate of that group only. The file has each part as it
is known to have been: that some were not looked at, were repaired elsewhere or brought
their unit in stands in the records only, and so do the bounds that come of it.

The format is text, or what --json, --csv or --html asks for, or what the ending of
-o FILE says: .json .csv .html .svg. An .svg is one plot, chosen by --plot: rates,
comebacks, or a group by its key (capacitor/tantalum) for its survival curve.`

func (a *app) reliabilityCmd() *cobra.Command {
	var f reliabilityFlags
	cmd := &cobra.Command{
		Use:   "reliability [FAMILY]",
		Short: "Which families fail, how often, and how sure that is",
		Long:  fmt.Sprintf(reliabilityLong, strings.Join(reliability.Keys(), ", ")),
		Example: `  benchlore reliability
  benchlore reliability capacitor/tantalum
  benchlore reliability --all
  benchlore reliability --what-helps
  benchlore reliability --by maker,family -o fails.html
  benchlore reliability --export observations.csv`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, list []string) error {
			if err := f.check(); err != nil {
				return err
			}
			if len(list) == 1 {
				f.group = list[0]
			}
			if f.group != "" && (f.all || f.whatHelps) {
				return usagef("leave out the family, or the flag", "--all and --what-helps are about every family")
			}
			if f.fromCSV == "" {
				return a.overview(func(l *ledger.Ledger) error { return a.reliability(l, f) })
			}
			for _, name := range []string{"by", "origin", "failure", "as-of"} {
				if cmd.Flags().Changed(name) {
					return usagef("leave out --"+name, "--%s needs records, and a file of observations has none", name)
				}
			}
			if !cmd.Flags().Changed("time") {
				f.time = ""
			}
			return a.reliability(nil, f)
		},
	}
	cmd.Flags().StringSliceVar(&f.by, "by", []string{"family"}, "group by `KEYS`")
	cmd.Flags().StringVar(&f.origin, "origin", "", "only parts that are original, replaced or of unknown origin: original, replaced, unknown")
	cmd.Flags().StringVar(&f.failure, "failure", "failed", "what counts as a failure: failed, or degraded as well")
	cmd.Flags().StringVar(&f.time, "time", "years", "time in years, or in hours on the meter")
	cmd.Flags().StringVar(&f.asOf, "as-of", "", "read nothing later than this `DAY`")
	cmd.Flags().StringVar(&f.silence, "silence", "unknown", "the reading of silence that JSON, ranks, wear and --export carry: unknown, working")
	cmd.Flags().Float64Var(&f.confidence, "confidence", 0.95, "`LEVEL` of every interval")
	cmd.Flags().StringVar(&f.fromCSV, "from-csv", "", "estimate from the observations in `FILE`; - is standard input")
	cmd.Flags().StringVar(&f.export, "export", "", "also write the observations to `FILE`")
	cmd.Flags().BoolVar(&f.fitAnyway, "fit-anyway", false, "fit wear and draw curves even if few parts failed, or in few units")
	cmd.Flags().BoolVar(&f.all, "all", false, "print all of it: every family, rates, wear, comebacks, and what the figures rest on")
	cmd.Flags().BoolVar(&f.whatHelps, "what-helps", false, "print what would have to be recorded for better figures")
	cmd.Flags().BoolVar(&f.csv, "csv", false, "print the table as CSV")
	cmd.Flags().BoolVar(&f.html, "html", false, "print one HTML page with plots")
	cmd.Flags().StringVar(&f.plot, "plot", "", "print one plot as SVG: rates, comebacks, or a group by its `KEY`")
	a.printFlags(cmd)
	_ = cmd.RegisterFlagCompletionFunc("by", cobra.FixedCompletions(reliability.Keys(), cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

// oneOf checks a flag against its words; empty is not given.
func oneOf(flag, value string, words ...string) error {
	if value == "" || slices.Contains(words, value) {
		return nil
	}
	return unknownWord("--"+flag, value, words)
}

// check returns what is wrong with the command line.
func (f reliabilityFlags) check() error {
	for _, k := range f.by {
		if !slices.Contains(reliability.Keys(), k) {
			return usagef("write one or several of: "+strings.Join(reliability.Keys(), ", "), "unknown key %q in --by", k)
		}
	}
	if f.confidence != 0 && !(f.confidence > 0 && f.confidence < 1) {
		return usagef("write a level such as 0.95", "--confidence %v is not between 0 and 1", f.confidence)
	}
	return cmp.Or(
		oneOf("failure", f.failure, "failed", "degraded"),
		oneOf("silence", f.silence, reliability.Silence("").Words()...),
		oneOf("origin", f.origin, schema.Origin("").Words()...),
		oneOf("time", f.time, "years", "hours"))
}

// reliability prints the report of a ledger or, without one, of a file.
func (a *app) reliability(l *ledger.Ledger, f reliabilityFlags) error {
	render, err := a.reliabilityFormat(f)
	if err != nil {
		return err
	}
	opt := reliability.Options{By: f.by, Silence: reliability.Silence(f.silence), Confidence: f.confidence,
		Origin: schema.Origin(f.origin), FitAnyway: f.fitAnyway}
	var r *reliability.Report
	if l == nil {
		r, err = a.reliabilityFile(f, opt)
	} else {
		r, err = reliabilityLedger(l, f, opt)
	}
	if err != nil {
		return err
	}
	a.tabular = f.csv || strings.EqualFold(filepath.Ext(a.output), ".csv")
	if f.export != "" {
		export := *a
		export.output, export.tabular = f.export, true
		if err := export.write(r.WriteObservations); err != nil {
			return err
		}
		if f.export == "-" {
			return nil // the report would stand in the same stream
		}
	}
	if f.group != "" {
		g, err := r.Find(f.group)
		if err != nil {
			return usagef("see benchlore reliability --all", "%v", err)
		}
		r.Groups = []reliability.Group{g}
	}
	return a.write(func(w io.Writer) error { return render(r, w) })
}

func reliabilityLedger(l *ledger.Ledger, f reliabilityFlags, opt reliability.Options) (*reliability.Report, error) {
	observe := reliability.ObserveOptions{FailureDegraded: f.failure == "degraded", Lag: reliability.DefaultLag, Hours: f.time == "hours"}
	if f.asOf != "" {
		d, err := schema.ParseDate(f.asOf)
		if err != nil {
			return nil, usagef("write it like 2031-03-04", "--as-of: %v", err)
		}
		observe.AsOf = d
	}
	return reliability.Of(l, observe, opt)
}

func (a *app) reliabilityFile(f reliabilityFlags, opt reliability.Options) (*reliability.Report, error) {
	in, name := a.in, "standard input"
	if f.fromCSV != "-" {
		file, err := os.Open(f.fromCSV)
		if err != nil {
			return nil, err
		}
		defer file.Close()
		in, name = file, f.fromCSV
	}
	unit := map[string]reliability.TimeUnit{"": reliability.FileTimes, "years": reliability.Years, "hours": reliability.Hours}[f.time]
	r, err := reliability.FromFile(in, unit, opt)
	if err != nil {
		fmt.Fprintf(a.err, "benchlore: %s: %v\n", name, err)
		return nil, errFound
	}
	return r, nil
}

// reliabilityFormat chooses how the report is written: what a flag asks for,
// else what the ending of -o says, else text.
func (a *app) reliabilityFormat(f reliabilityFlags) (func(*reliability.Report, io.Writer) error, error) {
	type format struct {
		flag  string
		asked bool
		ends  string
		write func(*reliability.Report, io.Writer) error
	}
	formats := []format{
		{"--json", a.json, ".json", (*reliability.Report).WriteJSON},
		{"--csv", f.csv, ".csv", (*reliability.Report).WriteCSV},
		{"--html", f.html, ".html", (*reliability.Report).WriteHTML},
		{"--plot", f.plot != "", ".svg", func(r *reliability.Report, w io.Writer) error {
			if err := r.WritePlot(w, cmp.Or(f.plot, "rates")); err != nil {
				return usagef("write rates, comebacks, or the key of a group with a curve", "--plot: %v", err)
			}
			return nil
		}},
	}
	chosen := -1
	for i, x := range formats {
		if x.asked && chosen >= 0 {
			return nil, usagef("choose one of them", "%s and %s are two formats", formats[chosen].flag, x.flag)
		}
		if x.asked {
			chosen = i
		}
	}
	if chosen < 0 {
		chosen = slices.IndexFunc(formats, func(x format) bool {
			return strings.EqualFold(filepath.Ext(a.output), x.ends)
		})
	}
	if chosen < 0 {
		return func(r *reliability.Report, w io.Writer) error {
			o := page.TextOptions{Width: a.width()}
			switch {
			case f.whatHelps:
				return r.WriteHelps(w, o)
			case f.group != "":
				return r.WriteGroup(w, f.group, o)
			case f.all:
				return r.WriteText(w, o)
			}
			return r.WriteSummary(w, o)
		}, nil
	}
	return formats[chosen].write, nil
}

func (a *app) labelCmd() *cobra.Command {
	var card, slates bool
	var paper, stage string
	var sections []string
	cmd := &cobra.Command{
		Use:   "label [UNIT] -o FILE.pdf|FILE.svg",
		Short: "The label inside the case, or the codes that are photographed before pictures",
		Long: `Writes a label for inside the unit's case: which unit it is, in what state it last left
a bench, what to check first, the shop, the head of its history and the digest of its
newest seal, in words and as a QR code. Anyone who is later shown a history can check it
against the label with benchlore verify --label: a history that was cut short or replaced
does not match. A unit whose last stay has no safety check, or whose history is not
sealed, has a label that says so.

The label is 62 × 29 mm, for a label printer's roll. --size gives another size in
millimetres, width first: 57x32, 89x36, a6 or any other. Print it at 100 %.

--slate writes slates instead: cards with a code for each section of the unit, and one
for the whole unit. Photograph a slate, then what it names; photo --slates files the
pictures. Slates come on A4 to be cut apart, or with --size one on each label. They stay
good when the unit is renamed.`,
		Example: `  benchlore label a61-14906 -o label.pdf
  benchlore label a61-14906 --size 89x36 -o label.pdf
  benchlore label a61-14906 --card -o label.svg
  benchlore label --slate -o slates.pdf
  benchlore label --slate --section "power supply" --stage as-found --size 62x29 -o slates.pdf`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, list []string) error {
			size := label.Tape
			switch {
			case card && paper != "":
				return usagef("leave --card out", "--card is --size a6, and there is another --size")
			case card:
				size = label.Card
			case paper != "":
				var err error
				if size, err = label.ParseSize(paper); err != nil {
					return usagef("write WIDTHxHEIGHT in millimetres: "+strings.Join(label.Common, ", "), "--size: %v", err)
				}
			case slates:
				size = label.A4
			}
			if slates {
				return a.slateSheet(first(list), sections, schema.Stage(stage), size)
			}
			if stage != "" || len(sections) > 0 {
				return usagef("add --slate, or leave them out", "--section and --stage are for slates")
			}
			write := map[string]func(label.Label, io.Writer, label.Size) error{
				".pdf": label.Label.WritePDF, ".svg": label.Label.WriteSVG,
			}[strings.ToLower(filepath.Ext(a.output))]
			if write == nil && !a.json {
				return usagef("write -o label.pdf or -o label.svg", "a label is a PDF or an SVG file")
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				label, err := a.label(l, name)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(label)
				}
				if !label.Sealed {
					fmt.Fprintf(a.err, "benchlore: the end of this history is not sealed, and the label says so\n  seal it first with: benchlore seal %s\n", name)
				}
				return a.write(func(w io.Writer) error { return write(label, w, size) })
			})
		},
	}
	cmd.Flags().BoolVar(&card, "card", false, "an A6 card instead of a label of 62 × 29 mm")
	cmd.Flags().StringVar(&paper, "size", "", "the `SIZE` in millimetres, or a4, a6: 62x29, 57x32, 89x36; default: 62x29, slates a4")
	cmd.Flags().BoolVar(&slates, "slate", false, "slates to photograph before the pictures of a section")
	cmd.Flags().StringArrayVar(&sections, "section", nil, "with --slate: only this `SECTION`; may be given again")
	cmd.Flags().StringVar(&stage, "stage", "", "with --slate: the `STAGE` that the pictures show: as-found, after-repair, after-soak, as-left")
	a.printFlags(cmd)
	return cmd
}

// slateSheet writes slates of a unit: of the whole and each section, or of the sections
// named.
func (a *app) slateSheet(arg string, sections []string, stage schema.Stage, size label.Size) error {
	if stage != "" && !slices.Contains(stage.Words(), string(stage)) {
		return usagef("write one of: "+strings.Join(stage.Words(), ", "), "unknown stage %q", stage)
	}
	if !a.json && strings.ToLower(filepath.Ext(a.output)) != ".pdf" {
		return usagef("write -o slates.pdf", "slates are a PDF file")
	}
	return a.with(func(l *ledger.Ledger) error {
		name, err := a.unit(l, arg)
		if err != nil {
			return err
		}
		stock, err := l.Catalog()
		if err != nil {
			return err
		}
		u, err := l.Unit(name, stock)
		if err != nil {
			return err
		}
		if u.Instrument == nil || u.Instrument.UUID == "" {
			return usagef("see what is wrong with it: benchlore check", "instrument.toml of %s has no UUID that can be read", name)
		}
		names := append([]string{""}, u.Unit.SectionNames()...)
		if len(sections) > 0 {
			names = nil
			for _, s := range sections {
				found := entry.Section(strings.Fields(s), u.Unit)
				if found == "" {
					return usagef("it has: "+someOf(u.Unit.SectionNames(), 12), "%s has no section %q", name, s)
				}
				names = append(names, found)
			}
		}
		var list []label.Slate
		for _, s := range names {
			code := slate.Text(u.Instrument.UUID, s, string(stage))
			list = append(list, label.Slate{Title: title(u.Unit), Unit: name, Section: s, Stage: string(stage), Code: code, Spaced: slate.Spaced(code)})
		}
		if a.json {
			return a.printJSON(list)
		}
		if err := a.write(func(w io.Writer) error { return label.WriteSlates(w, list, size) }); err != nil {
			return err
		}
		fmt.Fprintf(a.out, "%s: %s in %s\nnext: print at 100 %%, photograph each before its pictures, then benchlore photo FOLDER --slates\n", name, plural(len(list), "slate"), a.output)
		return nil
	})
}

func (a *app) label(l *ledger.Ledger, name string) (label.Label, error) {
	head, seal, err := sealedHead(l, name)
	if err != nil {
		return label.Label{}, err
	}
	if head == "" {
		return label.Label{}, usagef("close its job first: benchlore close "+name, "%s has no history of its own yet", name)
	}
	p, err := provenance.Of(l, name)
	if err != nil {
		return label.Label{}, err
	}
	return label.For(p, head, digestOf(seal)), nil
}

// digestOf is the digest of a seal's statement, "" where there is no seal.
func digestOf(seal *proof.Seal) string {
	if seal == nil {
		return ""
	}
	return seal.StatementDigest()
}

// sealedHead returns the last commit of a unit's own history, "" where there is none,
// and the seal that stands on it, nil for none.
func sealedHead(l *ledger.Ledger, name string) (head string, seal *proof.Seal, err error) {
	steps, err := l.UnitHistory(name)
	if err != nil || len(steps) == 0 {
		return "", nil, err
	}
	head = steps[len(steps)-1].Commit
	seals, err := l.Seals(name)
	for _, s := range seals {
		if s.Statement.Head == head {
			seal = s
		}
	}
	return head, seal, err
}

func (a *app) advertCmd() *cobra.Command {
	var o advert.TextOptions
	var words bool
	cmd := &cobra.Command{
		Use:   "advert [UNIT]",
		Short: "The text for a sale, with no word that the records do not carry",
		Long: `Writes plain text to paste into an advertisement: what it is, in what condition, what was
done, what is not original, what nobody looked at, safety checks, warranty, and how to
check all of it. --short leaves the details out; --cite names the records under each
sentence.

Words that claim, such as recapped or overhauled, are used only where the records show
what the word asks for; --words prints that table. What was left out, and why, is told
beside the text, for you. Words in a record's own notes that claim do not come through.`,
		Example: `  benchlore advert a61-10233 -o advert.txt
  benchlore advert a61-10233 --short
  benchlore advert --words`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			if words {
				return a.write(func(w io.Writer) error { return printWords(w, a.width()) })
			}
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				ad, err := advertOf(l, name)
				if err != nil {
					return err
				}
				if a.json {
					return a.printJSON(ad)
				}
				o.Width = min(a.width(), 100)
				if err := a.write(func(w io.Writer) error { return ad.WriteText(w, o) }); err != nil {
					return err
				}
				for _, x := range ad.LeftOut {
					for i, line := range fold("left out, "+x.Word+": "+x.Why, 79) {
						fmt.Fprintln(a.err, [...]string{"", "  "}[min(i, 1)]+line)
					}
				}
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&o.Short, "short", false, "only what a buyer reads first")
	cmd.Flags().BoolVar(&o.Cite, "cite", false, "each sentence with the records it rests on")
	cmd.Flags().BoolVar(&words, "words", false, "print which word needs what in the records")
	a.printFlags(cmd)
	return cmd
}

// advertOf writes the advert of a unit as its records stand.
func advertOf(l *ledger.Ledger, name string) (*advert.Advert, error) {
	r, err := provenance.Of(l, name)
	if err != nil {
		return nil, err
	}
	catalog, err := l.Catalog()
	if err != nil {
		return nil, err
	}
	u, err := l.Unit(name, catalog)
	if err != nil {
		return nil, err
	}
	_, seal, err := sealedHead(l, name)
	if err != nil {
		return nil, err
	}
	var sealed advert.Sealed
	if seal != nil {
		sealed = advert.Sealed{Short: seal.Short(), Key: seal.Fingerprint()}
	}
	return advert.Of(r, u.Unit, sealed), nil
}

// printWords prints the table of the words that claim.
func printWords(w io.Writer, width int) error {
	for _, x := range advert.Words {
		fmt.Fprintf(w, "%s\n", x.Word)
		for _, s := range []string{x.Asks, "after " + x.Source} {
			for _, line := range page.Wrap(s, min(width, 100)-2) {
				if _, err := fmt.Fprintf(w, "  %s\n", line); err != nil {
					return err
				}
			}
		}
	}
	return nil
}
