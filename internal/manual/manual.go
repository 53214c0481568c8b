// Package manual writes the manual page and the completion of the shell from the model that reads the command line, so that
// they name every verb and every flag and none beside.
package manual

import (
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"
)

// Page writes the manual page, section 1, in the macros of man(7).
func Page(w io.Writer, model *kong.Application, version string) error {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH %s 1 \"\" \"%s %s\" \"\"\n", strings.ToUpper(model.Name), roff(model.Name), roff(version))
	fmt.Fprintf(&b, ".SH NAME\n%s \\- early warning for a small amphibian breeding room\n", roff(model.Name))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B %s\n.I VERB\n[\\fIOPTION\\fR]...\n", roff(model.Name))
	fmt.Fprintf(&b, ".SH DESCRIPTION\n%s\n.PP\nResults go to standard output, progress and errors to standard error.\n", paragraph(model.Help))
	b.WriteString(".SH VERBS\n")
	for _, leaf := range model.Leaves(true) {
		fmt.Fprintf(&b, ".SS %s\n%s\n", roff(leaf.FullPath()+arguments(leaf)), paragraph(leaf.Help))
		if leaf.Detail != "" {
			fmt.Fprintf(&b, ".PP\n%s\n", paragraph(leaf.Detail))
		}
		for _, p := range leaf.Positional {
			fmt.Fprintf(&b, ".TP\n\\fI%s\\fR\n%s\n", roff(p.Name), paragraph(p.Help))
		}
		for _, flag := range flags(leaf) {
			fmt.Fprintf(&b, ".TP\n\\fB%s\\fR%s\n%s\n", roff("--"+flag.Name), roff(value(flag)), paragraph(described(flag)))
		}
	}
	b.WriteString(`.SH EXIT STATUS
.TP
0
The work is done.
.TP
1
The answer is no, or the work failed.
.TP
2
The command was used wrongly.
.SH FILES
.TP
.I /etc/dewline/site.yaml
The configuration of the service.
.TP
.I /usr/share/dewline
Example sites and the care profiles.
.TP
.I /var/lib/dewline
The history. It stays when the package is purged, unless DEWLINE_PURGE_HISTORY=yes is in the environment then.
.SH SEE ALSO
.BR systemctl (1),
.BR journalctl (1)
`)
	_, err := io.WriteString(w, b.String())
	return err
}

// flags are those that a leaf shows, those of its parents first, without --help, which all have.
func flags(leaf *kong.Node) (shown []*kong.Flag) {
	for _, group := range leaf.AllFlags(true) {
		for _, flag := range group {
			if flag.Name != "help" {
				shown = append(shown, flag)
			}
		}
	}
	return shown
}

func arguments(leaf *kong.Node) string {
	text := ""
	for _, p := range leaf.Positional {
		text += " " + p.ShortSummary()
	}
	return text
}

func value(flag *kong.Flag) string {
	if flag.IsBool() {
		return ""
	}
	return "=" + flag.FormatPlaceHolder()
}

func described(flag *kong.Flag) string {
	text := flag.Help
	if flag.Required {
		text += " Required."
	}
	if len(flag.Envs) > 0 {
		text += " Also from the environment: " + strings.Join(flag.Envs, ", ") + "."
	}
	return text
}

// roff writes a text so that it is not taken for a request or an escape.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, `-`, `\-`).Replace(text)
	if strings.HasPrefix(text, ".") || strings.HasPrefix(text, "'") {
		return `\&` + text
	}
	return text
}

func paragraph(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	for i, line := range lines {
		lines[i] = roff(strings.TrimSpace(line))
	}
	return strings.Join(lines, "\n")
}

// Bash writes the completion for bash. What is neither a verb nor a flag is completed as the name of a file.
func Bash(w io.Writer, model *kong.Application) error {
	var paths, valued, words strings.Builder
	enums := ""
	var walk func(node *kong.Node, path string)
	walk = func(node *kong.Node, path string) {
		var offered []string
		for _, child := range node.Children {
			if !child.Hidden {
				below := path + " " + child.Name
				offered = append(offered, child.Name)
				fmt.Fprintf(&paths, "            %q) path=%q ;;\n", below, below)
				walk(child, below)
			}
		}
		if node.Leaf() {
			for _, flag := range flags(node) {
				offered = append(offered, "--"+flag.Name)
				switch {
				case flag.Enum != "":
					enums += fmt.Sprintf("        %q) COMPREPLY=($(compgen -W %q -- \"$cur\")); return ;;\n",
						path+" --"+flag.Name, strings.Join(flag.EnumSlice(), " "))
				case !flag.IsBool():
					fmt.Fprintf(&valued, "        %q) return ;;\n", path+" --"+flag.Name)
				}
			}
			for _, p := range node.Positional {
				if p.Enum != "" {
					offered = append(offered, p.EnumSlice()...)
				}
			}
		}
		offered = append(offered, "--help")
		fmt.Fprintf(&words, "        %q) words=%q ;;\n", path, strings.Join(offered, " "))
	}
	walk(model.Node, model.Name)
	_, err := fmt.Fprintf(w, `# bash completion for %[1]s; written by the program itself
_%[1]s() {
    local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} path=%[1]s words= i
    for ((i = 1; i < COMP_CWORD; i++)); do
        case "$path ${COMP_WORDS[i]}" in
%[2]s        esac
    done
    COMPREPLY=()
    case "$path $prev" in
%[3]s%[4]s    esac
    case $path in
%[5]s    esac
    COMPREPLY=($(compgen -W "$words" -- "$cur"))
}
complete -o default -F _%[1]s %[1]s
`, model.Name, paths.String(), enums, valued.String(), words.String())
	return err
}
