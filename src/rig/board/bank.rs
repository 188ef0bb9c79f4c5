//! The set and clear registers of the header's lines, mapped into this process. The only `unsafe` of the house.
//!
//! Register offsets: BCM2835 ARM Peripherals, section 6.1, table 6-1.
#![expect(unsafe_code, reason = "a device register can only be reached through a mapping; every access is in this file")]

use rustix::mm::{MapFlags, ProtFlags};
use std::fs::{File, OpenOptions};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::Path;
use std::ptr::NonNull;

/// Bytes mapped: the block of registers is within one page.
const LENGTH: usize = 4096;
/// GPSET0, as an index of 32-bit words.
const SET: usize = 0x1c / 4;
/// GPCLR0.
const CLEAR: usize = 0x28 / 4;

/// Lines 0 to 31 of the header's chip.
///
/// Writing a set or clear register changes only the lines whose bits are 1, so several threads may write at the same time without
/// undoing each other's lines.
#[derive(Debug)]
pub struct Bank {
    base: NonNull<u32>,
}

// SAFETY: the mapping is owned by this value and lives as long as it does; it is reached through volatile accesses of aligned
// 32-bit words only, which the device takes one by one in any order of threads.
unsafe impl Send for Bank {}
// SAFETY: as above; no `&self` method has state in memory of its own.
unsafe impl Sync for Bank {}

impl Bank {
    /// Maps the register device.
    ///
    /// # Errors
    /// Where it is not there, may not be opened, is no device and shorter than the registers, or cannot be mapped.
    pub fn open(path: &Path) -> std::io::Result<Self> {
        let file = OpenOptions::new().read(true).write(true).custom_flags(rustix::fs::OFlags::SYNC.bits() as i32).open(path)?;
        Self::map(&file)
    }

    fn map(file: &File) -> std::io::Result<Self> {
        let meta = file.metadata()?;
        // a page beyond the end of a plain file could be mapped, but not touched
        if !meta.file_type().is_char_device() && meta.len() < LENGTH as u64 {
            return Err(std::io::Error::new(std::io::ErrorKind::InvalidData, "this is not a register device"));
        }
        // SAFETY: a new shared mapping at an address of the kernel's choice; it aliases no memory of this program. `LENGTH` bytes
        // exist: a device maps a page or fails, and a plain file was found long enough.
        let base =
            unsafe { rustix::mm::mmap(std::ptr::null_mut(), LENGTH, ProtFlags::READ | ProtFlags::WRITE, MapFlags::SHARED, file, 0) }?;
        let base = NonNull::new(base.cast()).ok_or(std::io::ErrorKind::Other)?;
        Ok(Self { base })
    }

    #[inline(always)]
    fn write(&self, register: usize, value: u32) {
        // SAFETY: `register` is one of the constants above, inside the mapped page and aligned; volatile, as it is a device.
        unsafe { self.base.add(register).write_volatile(value) }
    }

    /// Drives the lines of a mask high.
    #[inline(always)]
    pub fn set(&self, mask: u32) {
        self.write(SET, mask);
    }
    /// Drives the lines of a mask low.
    #[inline(always)]
    pub fn clear(&self, mask: u32) {
        self.write(CLEAR, mask);
    }
}

impl Drop for Bank {
    fn drop(&mut self) {
        // SAFETY: exactly the mapping made in `map`, which nothing else refers to.
        let _ = unsafe { rustix::mm::munmap(self.base.as_ptr().cast(), LENGTH) };
    }
}
