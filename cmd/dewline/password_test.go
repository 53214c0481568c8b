package main

import (
	"bytes"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// pseudoTerminal returns the two ends of a terminal (pts(4)).
func pseudoTerminal(t *testing.T) (keeper, program *os.File) {
	keeper, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { keeper.Close() })
	fd := int(keeper.Fd())
	require.NoError(t, unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	require.NoError(t, err)
	program, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { program.Close() })
	return keeper, program
}

// What is typed does not stand on the screen, and the terminal is left as it was.
func TestPasswordIsNotShown(t *testing.T) {
	keeper, program := pseudoTerminal(t)
	echo := func() bool {
		state, err := unix.IoctlGetTermios(int(program.Fd()), unix.TCGETS)
		require.NoError(t, err)
		return state.Lflag&unix.ECHO != 0
	}
	require.True(t, echo())
	var wait sync.WaitGroup
	var password string
	var failed error
	wait.Go(func() { password, failed = readPassword(program, streams{out: program, err: program}) })
	shown := make([]byte, 0, 256)
	for _, prompt := range []string{"password: ", "once more: "} {
		for !bytes.HasSuffix(shown, []byte(prompt)) { // the program asks, and has said so
			part := make([]byte, 64)
			n, err := keeper.Read(part)
			require.NoError(t, err)
			shown = append(shown, part[:n]...)
		}
		require.Eventually(t, func() bool { return !echo() }, 30*time.Second, time.Millisecond)
		_, err := keeper.WriteString("fern and fog\n")
		require.NoError(t, err)
		if prompt == "password: " {
			shown = shown[:0]
		}
	}
	wait.Wait()
	require.NoError(t, failed)
	assert.Equal(t, "fern and fog", password)
	rest := make([]byte, 64)
	n, err := keeper.Read(rest)
	require.NoError(t, err)
	assert.Equal(t, "\r\nonce more: ", string(shown))
	assert.Equal(t, "\r\n", string(rest[:n]))
	assert.True(t, echo())
}
