"""What `fuzz_commands` feeds to the commands: inputs, where they are run, what is checked."""
