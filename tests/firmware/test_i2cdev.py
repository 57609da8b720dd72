"""The Linux port: the messages it hands to the kernel, and what it makes of the answers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from paramstore.firmware.generate import port_files, runtime_files
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import write, zig

# Stands in for the kernel: prints what it is asked, answers as the line on standard input says.
KERNEL = r"""
#include "linux_i2cdev.h"
#include <errno.h>
#include <linux/i2c-dev.h>
#include <linux/i2c.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

#ifdef __GLIBC__
typedef unsigned long request_t;
#else
typedef int request_t;
#endif

int test_ioctl(int file, request_t request, ...);
int test_ioctl(int file, request_t request, ...)
{
    static int interrupted = 0;
    static int busy = 0;
    va_list arguments;
    struct i2c_rdwr_ioctl_data *transfer;
    unsigned i, k;
    va_start(arguments, request);
    if (request == (request_t)I2C_FUNCS) {
        *va_arg(arguments, unsigned long *) = getenv("ONLY_SMBUS") ? 0u : I2C_FUNC_I2C;
        va_end(arguments);
        return 0;
    }
    transfer = va_arg(arguments, struct i2c_rdwr_ioctl_data *);
    va_end(arguments);
    if (request != (request_t)I2C_RDWR || file < 0) {
        exit(9);
    }
    for (i = 0; i < transfer->nmsgs; ++i) {
        struct i2c_msg *message = &transfer->msgs[i];
        printf("%s %02x:", message->flags & I2C_M_RD ? "read" : "write", message->addr);
        for (k = 0; k < message->len; ++k) {
            if (message->flags & I2C_M_RD) {
                message->buf[k] = (uint8_t)(k + 1u);
            }
            printf(" %02x", message->buf[k]);
        }
        printf("\n");
    }
    if (getenv("INTERRUPT") && interrupted++ < atoi(getenv("INTERRUPT"))) {
        errno = EINTR;
        return -1;
    }
    if (getenv("BUSY") && busy++ < atoi(getenv("BUSY"))) {
        errno = atoi(getenv("FAIL"));
        return -1;
    }
    if (getenv("FAIL") && !getenv("BUSY")) {
        errno = atoi(getenv("FAIL"));
        return -1;
    }
    return (int)transfer->nmsgs;
}

int main(void)
{
    static const uint8_t page[] = {0x01, 0x20, 0xAA, 0x55};
    uint8_t in[3] = {0, 0, 0};
    ps_i2cdev_t bus;
    ps_status_t status;
    int tries = 1;
    if (!ps_i2cdev_open(&bus, getenv("BUS"))) {
        printf("not open: %s\n", errno == ENOTSUP ? "no plain I2C" : "no file");
        return 0;
    }
    printf("%s\n", ps_status_name(ps_i2cdev_transfer(&bus, 0x50, page, 4, NULL, 0)));
    printf("%s\n", ps_status_name(ps_i2cdev_transfer(&bus, 0x51, page, 2, in, 3)));
    printf("%d %d %d\n", in[0], in[1], in[2]);
    while ((status = ps_i2cdev_transfer(&bus, 0x50, page, 1, NULL, 0)) == PS_ERR_NACK
           && tries < 100) {
        ++tries;
    }
    printf("after %d: %s\n", tries, ps_status_name(status));
    ps_i2cdev_wait_us(&bus, 250);
    ps_i2cdev_close(&bus);
    return bus.file == -1 ? 0 : 1;
}
"""

# Numbers of Linux; a program says by name which one it means.
ENXIO, EIO, EREMOTEIO, EAGAIN, ETIMEDOUT = 6, 5, 121, 11, 110
OTHER_SYSTEM = ("-target", "x86_64-linux-musl")


def build(folder: Path, compiler: Compiler) -> Path:
    """The port and its kernel as a program; for Linux, whatever this computer runs."""
    write(folder, runtime_files() | port_files(linux=True) | {"kernel.c": KERNEL})
    flags = ("-O1",) if sys.platform == "linux" else ("-O1", *OTHER_SYSTEM)
    port = compiler.object(folder / "linux_i2cdev.c", folder / "port.o",
                           (*flags, *WARNINGS, "-Dioctl=test_ioctl"))
    main = compiler.object(folder / "kernel.c", folder / "kernel.o", (*flags, "-std=c99"))
    runtime = compiler.object(folder / "paramstore.c", folder / "runtime.o", (*flags, *WARNINGS))
    return compiler.program([port, main, runtime], folder / "program", flags)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The port and a kernel that prints."""
    return build(tmp_path_factory.mktemp("i2cdev"), zig())


def run(program: Path, bus: str = "/dev/null", **environment: str) -> list[str]:
    """What the program prints. Only Linux runs it; elsewhere building it is the test."""
    if sys.platform != "linux":
        return []
    done = subprocess.run([program], env={"BUS": bus, **environment}, capture_output=True,
                          text=True, check=True)
    return done.stdout.splitlines()


def said(expected: list[str]) -> list[str]:
    """What Linux must say."""
    return expected if sys.platform == "linux" else []


WRITE, READ = "write 50: 01 20 aa 55", ["write 51: 01 20", "read 51: 01 02 03"]
POLLED = ["write 50: 01", "after 1: PS_OK"]


def test_transfers_become_messages(program: Path) -> None:
    """A write is one message; a read is a write and a read with a repeated START between."""
    assert said([WRITE, "PS_OK", *READ, "PS_OK", "1 2 3", *POLLED]) == run(program)


@pytest.mark.parametrize(("number", "status"), [
    (ENXIO, "PS_ERR_NACK"), (EREMOTEIO, "PS_ERR_NACK"), (EIO, "PS_ERR_NACK"),
    (ETIMEDOUT, "PS_ERR_NACK"), (EAGAIN, "PS_ERR_BUS"),
])
def test_a_missing_acknowledge_is_told_from_other_trouble(
        program: Path, number: int, status: str) -> None:
    """Only what may be a missing acknowledge looks like a busy part."""
    assert said([status] * 2) == [line for line in run(program, FAIL=str(number))
                                  if line.startswith("PS_")]


@pytest.mark.parametrize(("number", "after"), [
    (EIO, "after 29: PS_ERR_BUS"), (ETIMEDOUT, "after 1: PS_ERR_BUS"),
    (EREMOTEIO, "after 100: PS_ERR_NACK"),
])
def test_what_may_be_the_bus_is_a_busy_part_for_a_while(
        program: Path, number: int, after: str) -> None:
    """Of a driver that tells no more: 30 transfers in a row with EIO, two that timed out; the
    program has made two before it counts. A missing acknowledge is for the runtime to bound."""
    assert said([after]) == [line for line in run(program, FAIL=str(number))
                             if line.startswith("after")]


@pytest.mark.parametrize(("number", "busy"), [(EIO, 22), (EIO, 30), (ETIMEDOUT, 2)])
def test_a_part_that_is_busy_for_a_write_cycle_answers_in_the_end(
        program: Path, number: int, busy: int) -> None:
    """Whatever the driver calls it: the runtime asks some 20 times in a write cycle."""
    assert said([f"after {busy - 1}: PS_OK"]) == [
        line for line in run(program, FAIL=str(number), BUSY=str(busy))
        if line.startswith("after")]


def test_an_interrupted_call_is_made_again(program: Path) -> None:
    """A signal is no trouble of the bus."""
    assert said([WRITE, WRITE, "PS_OK", *READ, "PS_OK", "1 2 3", *POLLED]) == run(
        program, INTERRUPT="1")


def test_interruptions_without_end_are_an_error(program: Path) -> None:
    """A call returns after a bounded number of tries, whatever the signals do."""
    lines = run(program, INTERRUPT="1000000")
    assert said(["PS_ERR_BUS"] * 2) == [line for line in lines if line.startswith("PS_")]
    assert len(lines) < 80


def test_an_adapter_without_plain_i2c_is_refused(program: Path) -> None:
    """SMBus alone cannot write a page."""
    assert said(["not open: no plain I2C"]) == run(program, ONLY_SMBUS="1")


def test_a_missing_bus_is_told(program: Path) -> None:
    """No such device."""
    assert said(["not open: no file"]) == run(program, bus="/dev/no-such-bus")
