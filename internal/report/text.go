package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Text writes a sheet as plain text.
func Text(w io.Writer, s *Sheet) error {
	out := bufio.NewWriter(w) // keeps the first error and returns it from Flush
	fmt.Fprintln(out, printable(s.Title))
	for _, line := range s.Lines {
		fmt.Fprintln(out, printable(line))
	}
	for i := range s.Sections {
		section := &s.Sections[i]
		fmt.Fprintf(out, "\n%s\n", printable(section.Title))
		for _, line := range section.Lines {
			fmt.Fprintf(out, "  %s\n", printable(line))
		}
		for k := range section.Tables {
			section.Tables[k].text(out)
		}
		for _, line := range section.After {
			fmt.Fprintf(out, "  %s\n", printable(line))
		}
	}
	fmt.Fprintln(out)
	for _, note := range s.Notes {
		wrap(out, printable(note), 110)
	}
	return out.Flush()
}

// printable leaves nothing of a text that would move a terminal's cursor: notes may come from anywhere.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r):
			return unicode.ReplacementChar
		}
		return r
	}, text)
}

// text writes a table in columns: the first and those of words to the left, those of numbers to the right.
func (t Table) text(out io.Writer) {
	if t.Caption != "" {
		fmt.Fprintf(out, "\n  %s\n", printable(t.Caption))
	}
	lines := [][]string{t.Head}
	widths := make([]int, len(t.Head))
	for _, row := range t.Rows {
		line := make([]string, len(row))
		for c, cell := range row {
			line[c] = printable(cell)
		}
		lines = append(lines, line)
	}
	for _, line := range lines {
		for c, cell := range line {
			widths[c] = max(widths[c], utf8.RuneCountInString(cell))
		}
	}
	right := t.Right()
	for _, line := range lines {
		text := strings.Builder{}
		for c, cell := range line {
			pad := strings.Repeat(" ", widths[c]-utf8.RuneCountInString(cell))
			text.WriteString("  ")
			if right[c] {
				text.WriteString(pad + cell)
			} else {
				text.WriteString(cell + pad)
			}
		}
		fmt.Fprintln(out, strings.TrimRight(text.String(), " "))
	}
}

// Right returns, for each column, whether it holds numbers. They are aligned to the right.
func (t Table) Right() []bool {
	right := make([]bool, len(t.Head))
	for c := range right {
		right[c] = c > 0 && len(t.Rows) > 0
		for _, row := range t.Rows {
			right[c] = right[c] && numeric(row[c])
		}
	}
	return right
}

func numeric(cell string) bool {
	if cell == "" || cell == "–" {
		return true
	}
	for _, r := range cell {
		if !unicode.IsDigit(r) && !strings.ContainsRune(" .:%<>+-", r) {
			return false
		}
	}
	return strings.Count(cell, "-") < 2 // a date is none
}

// wrap writes a paragraph in lines of at most width runes.
func wrap(out io.Writer, text string, width int) {
	column := 0
	for _, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case column == 0:
		case column+1+n > width:
			fmt.Fprintln(out)
			column = 0
		default:
			fmt.Fprint(out, " ")
			column++
		}
		fmt.Fprint(out, word)
		column += n
	}
	fmt.Fprintln(out)
}
