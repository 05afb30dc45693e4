"""What people look at and programs call over HTTP: pages, an interface, live events. It only reads, unless a named user acts."""
