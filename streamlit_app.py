"""The bench app; `streamlit run streamlit_app.py` or `hotspot bench`."""
