package prompt

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"charm.land/bubbles/v2/key"
	tea "charm.land/bubbletea/v2"
	"charm.land/huh/v2"
	"charm.land/lipgloss/v2"
	"github.com/charmbracelet/x/ansi"

	"benchlore/schema/form"
	"benchlore/schema/unit"
)

// The sixteen colours every terminal has, so that its own theme holds; none
// carries a meaning that words do not.
var (
	faint  = lipgloss.NewStyle().Faint(true)
	bold   = lipgloss.NewStyle().Bold(true)
	red    = lipgloss.NewStyle().Foreground(lipgloss.Color("1")).Bold(true)
	green  = lipgloss.NewStyle().Foreground(lipgloss.Color("2"))
	chosen = lipgloss.NewStyle().Reverse(true)
)

// fieldTheme is the library's plainest look, without frames.
var fieldTheme = huh.ThemeFunc(func(dark bool) *huh.Styles {
	t := huh.ThemeBase(dark)
	t.Focused.Base = lipgloss.NewStyle()
	t.Focused.Title = bold
	t.Focused.Description = faint
	t.Blurred = t.Focused
	return t
})

// fieldKeys leave to the screen what has to happen before the next key is
// looked at; the library would say so in a message of its own, behind keys
// typed ahead.
func fieldKeys(lines bool) *huh.KeyMap {
	k := huh.NewDefaultKeyMap()
	none := key.NewBinding(key.WithDisabled())
	k.Input = huh.InputKeyMap{AcceptSuggestion: none, Next: none, Prev: none, Submit: none}
	k.Text = huh.TextKeyMap{Next: none, Prev: none, Submit: none, Editor: none, NewLine: none}
	if lines {
		k.Text.NewLine = key.NewBinding(key.WithKeys("alt+enter"))
	}
	return k
}

// choiceRows is how many choices are shown at once.
const choiceRows = 7

// screen asks on a terminal whose cursor can be moved.
func (p *Prompt) screen() error {
	s := &screen{p: p, width: 80, height: 24}
	s.ask(p.what.Typed)
	keys := &keyboard{File: p.at.In}
	program := tea.NewProgram(s, tea.WithInput(keys), tea.WithOutput(p.at.Out), tea.WithFPS(30))
	keys.gone = func() { go program.Quit() }
	_, err := program.Run()
	switch {
	case s.err != nil:
		return s.err
	case p.form.Done():
		return nil
	case err == nil, errors.Is(err, tea.ErrInterrupted), errors.Is(err, tea.ErrProgramKilled):
		return p.unfinished()
	}
	return errors.Join(err, p.unfinished())
}

// keyboard ends what waits for keys when none can come any more. The terminal of a
// program that is shielded from hang-ups goes without a signal, and the library
// would wait for ever, with the draft locked.
type keyboard struct {
	*os.File
	gone func()
}

func (k *keyboard) Read(p []byte) (int, error) {
	n, err := k.File.Read(p)
	if err != nil {
		k.gone()
	}
	return n, err
}

// screen is the state of the prompt on the terminal. One field of the form
// library at a time takes what is typed.
type screen struct {
	p             *Prompt
	width, height int
	field         huh.Field
	typed         string
	row           int    // of the choices offered; -1: none is picked
	refused       string // why the last answer was not taken
	doubted       string // the answer that is taken when it is given again
	review        []string
	top, seen     int   // lines of the review: the first that is shown, and how many are
	left          bool  // the prompt is over, done or not
	err           error // of the draft
}

// Get and Set let the field put what is typed here.
func (s *screen) Get() string     { return s.typed }
func (s *screen) Set(text string) { s.typed = text }

// ask puts the question at hand on the screen, with a text typed already.
func (s *screen) ask(typed string) {
	q := s.p.form.Question()
	s.typed, s.row, s.refused, s.doubted, s.review, s.top = typed, -1, "", "", nil, 0
	if q == nil {
		return
	}
	s.fill(typed)
	if q.Role == form.Store {
		text, wrong := s.p.review()
		if wrong != "" { // first, or it may be out of sight
			text = wrong + "\n" + text
		}
		s.review = strings.Split(strings.TrimRight(text, "\n"), "\n")
	}
}

// fill makes the field anew with a text in it, the cursor behind it.
func (s *screen) fill(typed string) {
	q := s.p.form.Question()
	s.typed = typed
	title := questionTitle(q)
	if q.Default != "" {
		title += "  [" + q.Default + "]"
	}
	if q.Long {
		f := huh.NewText().Title(title).Description(q.Help).CharLimit(0).ShowLineNumbers(false).ExternalEditor(false).Accessor(s)
		s.field = f.WithTheme(fieldTheme).WithKeyMap(fieldKeys(q.Path == "note")).WithWidth(s.width)
	} else {
		f := huh.NewInput().Title(title).Description(q.Help).Prompt("> ").Accessor(s)
		s.field = f.WithTheme(fieldTheme).WithKeyMap(fieldKeys(false)).WithWidth(s.width)
	}
	s.field.Focus()
	s.grow()
}

// grow gives prose as many lines as it takes.
func (s *screen) grow() {
	if f, ok := s.field.(*huh.Text); ok {
		f.Lines(min(lipgloss.Height(lipgloss.NewStyle().Width(s.width-1).Render(s.typed+" "))+1, 6)) // one to spare, or it scrolls
	}
}

// Init implements [tea.Model].
func (s *screen) Init() tea.Cmd { return nil }

// Update implements [tea.Model].
func (s *screen) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		s.width, s.height = max(msg.Width, 20), max(msg.Height, 8)
		if s.field != nil {
			s.field.WithWidth(s.width)
		}
		return s, nil
	case tea.KeyPressMsg:
		if s.p.form.Done() {
			return s, tea.Quit
		}
		if done, cmd := s.key(msg.String()); done {
			return s, cmd
		}
	}
	before := s.typed
	var cmd tea.Cmd
	if s.field != nil {
		_, cmd = s.field.Update(msg)
	}
	if s.typed != before {
		s.row, s.refused = -1, ""
		s.grow()
		s.keep()
	}
	return s, cmd
}

// keep saves what is typed.
func (s *screen) keep() {
	if err := s.p.save(s.typed); err != nil {
		s.refused = "cannot keep what you typed: " + err.Error()
	}
}

// key does what a key is for; false leaves it to the field.
func (s *screen) key(k string) (bool, tea.Cmd) {
	q := s.p.form.Question()
	offered := q.Offered(s.typed)
	switch k {
	case "ctrl+c":
		s.keep()
		s.left = true
		return true, tea.Quit
	case "esc", "shift+tab":
		if text, ok := s.p.form.Back(); ok {
			s.ask(text)
			s.keep()
		}
		return true, nil
	case "tab":
		if row := max(s.row, 0); len(offered) > row {
			s.fill(q.Complete(s.typed, offered[row].Word))
			s.row, s.refused = -1, ""
			s.keep()
		}
		return true, nil
	case "down":
		s.row = min(s.row+1, len(offered)-1)
		return true, nil
	case "up":
		s.row = max(s.row-1, -1)
		return true, nil
	case "pgdown":
		s.top += max(s.seen-1, 1)
		return true, nil
	case "pgup":
		s.top -= max(s.seen-1, 1)
		return true, nil
	case "enter", "ctrl+j": // Enter typed before the terminal was ready comes as the latter
		s.typed = s.picked(q)
		return true, s.answer()
	}
	return false, nil
}

// picked is what is typed, with the choice that the arrows point at.
func (s *screen) picked(q *form.Question) string {
	if offered := q.Offered(s.typed); s.row >= 0 && s.row < len(offered) {
		return q.Complete(s.typed, offered[s.row].Word)
	}
	return s.typed
}

// answer gives what is typed as the answer.
func (s *screen) answer() tea.Cmd {
	typed := s.typed
	if typed == "" && s.doubted != "" {
		typed = s.doubted // Enter keeps it
	}
	err := s.p.form.Answer(typed, s.doubted != "" && s.doubted == typed)
	if e := (*form.Error)(nil); errors.As(err, &e) {
		again := ""
		if s.p.form.Question().Long {
			again = typed // what took long to type is corrected
		}
		s.fill(again)
		s.row, s.refused, s.doubted = -1, refusal(e), ""
		if e.Doubt {
			s.doubted = typed
		}
		return nil
	}
	s.ask("")
	s.keep()
	if s.p.form.Done() {
		return tea.Quit
	}
	return nil
}

// View implements [tea.Model].
func (s *screen) View() tea.View {
	q := s.p.form.Question()
	if q == nil || s.left {
		return tea.NewView("")
	}
	below := []string{s.field.View()}
	if r := q.Remark(s.picked(q)); r.Text != "" {
		style := faint
		switch r.Verdict {
		case unit.Within:
			style = green
		case unit.Outside:
			style = red
		}
		below = append(below, style.Render(s.cut("  "+r.Text)))
	}
	if s.refused != "" {
		below = append(below, red.Width(s.width).Render(s.refused))
	}
	below = append(below, s.choices(q)...)
	head := bold.Render(s.cut(fmt.Sprintf("%s  %s  %s  %s", s.p.what.Unit, s.p.what.Kind, s.p.what.Date, s.p.what.By)))
	room := s.height - 3 - lipgloss.Height(strings.Join(below, "\n"))
	var above []string
	if s.review != nil {
		above = s.window(room)
	} else {
		above = s.answers(room)
	}
	foot := faint.Render(s.cut(s.keys(q)))
	return tea.NewView(strings.Join(slices.Concat([]string{head}, above, below, []string{foot}), "\n"))
}

func (s *screen) keys(q *form.Question) string {
	keys := "Esc back, Ctrl-C keep for later"
	if q.Path == "note" {
		keys = "Alt-Enter new line, " + keys
	}
	if len(q.Choices) > 0 {
		keys = "Tab completes, arrows choose, " + keys
	}
	if s.review != nil && s.seen < len(s.review) {
		keys = fmt.Sprintf("lines %d-%d of %d, PgUp PgDn scroll, Esc back, Ctrl-C keep for later", s.top+1, s.top+s.seen, len(s.review))
	}
	return keys
}

// answers are the last ones given, as many as there is room for.
func (s *screen) answers(room int) []string {
	lines := s.p.form.Lines()
	var out []string
	table := ""
	for _, l := range lines {
		if l.Table != table && l.Table != "" {
			out = append(out, s.cut("  "+l.Table))
		}
		table = l.Table
		indent := "  "
		if table != "" {
			indent = "    "
		}
		text, _, more := strings.Cut(l.Text, "\n")
		if more {
			text += " ..."
		}
		out = append(out, s.cut(fmt.Sprintf("%s%-18s %s", indent, l.Name, text)))
	}
	if n := len(out) - max(room, 0); n > 0 {
		out = out[n:]
	}
	return out
}

// window is the part of the record under review that there is room for.
func (s *screen) window(room int) []string {
	s.seen = max(room, 3)
	s.top = max(0, min(s.top, len(s.review)-s.seen))
	var out []string
	for _, line := range s.review[s.top:min(len(s.review), s.top+s.seen)] {
		out = append(out, s.cut("  "+line))
	}
	return out
}

// choices are the rows of what is offered, as far as they can be seen.
func (s *screen) choices(q *form.Question) []string {
	offered := q.Offered(s.typed)
	rows := min(choiceRows, max(s.height-12, 2))
	if s.review != nil && s.typed == "" && s.row < 0 {
		rows = 3 // the record is what is looked at
	}
	first := max(0, min(s.row-rows/2, len(offered)-rows))
	var out []string
	for i := first; i < len(offered) && i < first+rows; i++ {
		line := s.cut("  " + strings.TrimRight(choiceLine(offered[i]), " "))
		if i == s.row {
			line = chosen.Render("> " + line[2:])
		}
		out = append(out, line)
	}
	if left := len(offered) - first - rows; left > 0 {
		out = append(out, faint.Render(fmt.Sprintf("  ... %d more", left)))
	}
	return out
}

// cut shortens a line to the width of the screen, and shows that it did.
func (s *screen) cut(line string) string {
	return ansi.Truncate(line, s.width-1, "...")
}
